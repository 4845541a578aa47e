package store_test

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// proxy stands between the store and Postgres, counts the messages that the client
// sends and cuts the wire at a chosen one.
type proxy struct {
	network, address string // of the server
	listener         net.Listener

	count atomic.Int64 // messages of clients so far
	at    atomic.Int64 // the message to cut at; 0 = none
	after atomic.Bool  // cut after the server has dealt with it, else before it gets there
	cuts  atomic.Int64

	mu    sync.Mutex
	conns []net.Conn
}

// proxied starts a proxy before the server of url and gives the URL that leads through it.
func proxied(t testing.TB, target string) (*proxy, string) {
	t.Helper()
	u, err := url.Parse(target)
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{network: "tcp", address: u.Host}
	q := u.Query()
	if dir := q.Get("host"); dir != "" {
		p.network, p.address = "unix", dir+"/.s.PGSQL."+q.Get("port")
		q.Del("host")
		q.Del("port")
	}
	if p.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.close)
	go p.serve()
	q.Set("sslmode", "disable")
	u.Host, u.RawQuery = p.listener.Addr().String(), q.Encode()
	return p, u.String()
}

func (p *proxy) close() {
	_ = p.listener.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		_ = c.Close()
	}
}

// arm sets the next cut, counted from now.
func (p *proxy) arm(at int64, after bool) {
	p.count.Store(0)
	p.cuts.Store(0)
	p.after.Store(after)
	p.at.Store(at)
}

func (p *proxy) serve() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial(p.network, p.address)
		if err != nil {
			_ = client.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, client, server)
		p.mu.Unlock()
		l := &wire{p: p, client: client, server: server, answered: make(chan struct{}, 64)}
		go l.down()
		go l.up()
	}
}

// wire is one connection: up from the client to the server, down the other way.
type wire struct {
	p              *proxy
	client, server net.Conn
	muted          atomic.Bool   // what the server says no longer reaches the client
	answered       chan struct{} // ReadyForQuery came while muted
}

func (l *wire) cut() {
	_ = l.client.Close()
	_ = l.server.Close()
}

func (l *wire) up() {
	defer l.cut()
	// The startup message has no type byte.
	head := make([]byte, 5)
	if _, err := io.ReadFull(l.client, head[:4]); err != nil {
		return
	}
	if !l.pass(head[:4], int64(binary.BigEndian.Uint32(head[:4]))-4) {
		return
	}
	for {
		if _, err := io.ReadFull(l.client, head); err != nil {
			return
		}
		size := int64(binary.BigEndian.Uint32(head[1:])) - 4
		n := l.p.count.Add(1)
		if n != l.p.at.Load() {
			if !l.pass(head, size) {
				return
			}
			continue
		}
		l.p.at.Store(0)
		l.p.cuts.Add(1)
		if l.p.after.Load() {
			l.muted.Store(true)
			if l.pass(head, size) {
				select { // the server has dealt with it when it is ready again, or waits for more
				case <-l.answered:
				case <-time.After(30 * time.Millisecond):
				}
			}
		}
		return
	}
}

func (l *wire) pass(head []byte, size int64) bool {
	if _, err := l.server.Write(head); err != nil {
		return false
	}
	_, err := io.CopyN(l.server, l.client, size)
	return err == nil
}

func (l *wire) down() {
	defer l.cut()
	head := make([]byte, 5)
	for {
		if _, err := io.ReadFull(l.server, head); err != nil {
			return
		}
		body := make([]byte, binary.BigEndian.Uint32(head[1:])-4)
		if _, err := io.ReadFull(l.server, body); err != nil {
			return
		}
		if l.muted.Load() {
			if head[0] == 'Z' {
				select {
				case l.answered <- struct{}{}:
				default:
				}
			}
			continue
		}
		if _, err := l.client.Write(append(head[:5:5], body...)); err != nil {
			return
		}
	}
}

// The proxy itself: it passes everything on, and cuts where it is told.
func TestProxy(t *testing.T) {
	t.Parallel()
	echo, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = echo.Close() }()
	go func() {
		for {
			c, err := echo.Accept()
			if err != nil {
				return
			}
			go func() { // the startup is swallowed, the rest comes back
				_, _ = io.CopyN(io.Discard, c, 8)
				_, _ = io.Copy(c, c)
			}()
		}
	}()
	p, through := proxied(t, fmt.Sprintf("postgres://u@%s/db", echo.Addr()))
	u, err := url.Parse(through)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at, echoes int
		after      bool
	}{{0, 5, false}, {3, 2, false}, {3, 2, true}, {1, 0, false}} {
		p.arm(int64(c.at), c.after)
		conn, err := net.Dial("tcp", u.Host)
		if err != nil {
			t.Fatal(err)
		}
		_ = conn.SetDeadline(time.Now().Add(5 * time.Second))
		_, _ = conn.Write([]byte{0, 0, 0, 8, 1, 2, 3, 4})
		got := 0
		for range 5 {
			msg := []byte{'Q', 0, 0, 0, 6, 'h', 'i'}
			if _, err := conn.Write(msg); err != nil {
				break
			}
			if _, err := io.ReadFull(conn, msg); err != nil {
				if errors.Is(err, io.ErrUnexpectedEOF) {
					t.Error("a torn message")
				}
				break
			}
			got++
		}
		_ = conn.Close()
		if got != c.echoes {
			t.Errorf("cut at %d: %d echoes, want %d", c.at, got, c.echoes)
		}
	}
}
