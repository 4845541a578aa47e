package exchange

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
)

// Bounds of what is read at once.
const (
	MaxResource = 64 << 10 // bytes of one resource
	MaxItems    = 10_000   // resources in one import
	maxNesting  = 64       // of JSON, before it is looked at closely
)

// SyntaxError says that the body as a whole cannot be read; nothing of it is
// taken.
type SyntaxError struct {
	Offset int64
	Reason string
}

func (e *SyntaxError) Error() string {
	return fmt.Sprintf("this is not the JSON of ADE resources: %s, at byte %d", e.Reason, e.Offset)
}

// TooManyError says that a body has more than MaxItems resources.
type TooManyError struct{}

func (*TooManyError) Error() string {
	return fmt.Sprintf("at most %d resources in one import: send the rest in another", MaxItems)
}

// part is one resource as it stands in the body. long says that it has more
// than MaxResource bytes, and raw is only its beginning.
type part struct {
	pointer string // JSON Pointer into the body
	raw     []byte
	long    bool
}

// splitter takes a body apart without holding it: an array of resources, a
// collection with the array in its member `member`, or a single resource.
type splitter struct {
	in *bufio.Reader
	at int64
	fn func(part) error
	n  int
}

// split calls fn for each resource; part.raw is valid until fn returns. Errors:
// *SyntaxError, *TooManyError, those of r and of fn.
func split(r io.Reader, fn func(part) error) error {
	s := &splitter{in: bufio.NewReaderSize(r, 32<<10), fn: fn}
	c, err := s.solid()
	if err != nil {
		return err
	}
	switch c {
	case '[':
		err = s.array("")
	case '{':
		err = s.object()
	default:
		err = s.fail("an array, a collection or a resource is expected")
	}
	if err != nil {
		return err
	}
	if _, err := s.solid(); !errors.Is(err, errEnd) {
		if err == nil {
			err = s.fail("something follows the end of the value")
		}
		return err
	}
	return nil
}

func (s *splitter) fail(reason string) error { return &SyntaxError{s.at, reason} }

// errEnd is the end of the body where one may be.
var errEnd = errors.New("the body ends")

// solid gives the next byte that is no white space.
func (s *splitter) solid() (byte, error) {
	for {
		c, err := s.next()
		if err != nil {
			return 0, err
		}
		if c != ' ' && c != '\t' && c != '\n' && c != '\r' {
			return c, nil
		}
	}
}

func (s *splitter) next() (byte, error) {
	c, err := s.in.ReadByte()
	if errors.Is(err, io.EOF) {
		return 0, errEnd
	}
	if err != nil {
		return 0, err
	}
	s.at++
	return c, nil
}

// must is solid where the body may not end.
func (s *splitter) must() (byte, error) {
	c, err := s.solid()
	if errors.Is(err, errEnd) {
		return 0, s.fail("it ends too early")
	}
	return c, err
}

// array hands out the elements of an array whose bracket has been read.
func (s *splitter) array(prefix string) error {
	c, err := s.must()
	if err != nil || c == ']' {
		return err
	}
	v := &value{s: s}
	for i := 0; ; i++ {
		if s.n++; s.n > MaxItems+2 { // beside @context and @continuation
			return &TooManyError{}
		}
		v.reset()
		if err := v.read(c); err != nil {
			return err
		}
		if err := s.fn(part{prefix + "/" + strconv.Itoa(i), v.raw, v.long}); err != nil {
			return err
		}
		if c, err = s.must(); err != nil {
			return err
		}
		if c == ']' {
			return nil
		}
		if c != ',' {
			return s.fail("a comma or a closing bracket is expected")
		}
		if c, err = s.must(); err != nil {
			return err
		}
	}
}

// object reads an object whose brace has been read: a collection, of which only
// the members are looked at, or a resource.
func (s *splitter) object() error {
	whole := &value{s: s, raw: []byte{'{'}}
	collection := false
	for first := true; ; first = false {
		c, err := s.must()
		if err != nil {
			return err
		}
		if c == '}' && first {
			break
		}
		if c != '"' {
			return s.fail("a member name in double quotes is expected")
		}
		start := len(whole.raw)
		if err := whole.read(c); err != nil {
			return err
		}
		name := string(whole.raw[min(start, len(whole.raw)):])
		if c, err = s.must(); err != nil {
			return err
		}
		if c != ':' {
			return s.fail("a colon is expected")
		}
		whole.put(':')
		if c, err = s.must(); err != nil {
			return err
		}
		if name == `"member"` && c == '[' {
			if collection {
				return s.fail("the member `member` stands twice")
			}
			collection = true
			if err := s.array("/member"); err != nil {
				return err
			}
			whole.put('0') // in the place of what was handed out
		} else if err := whole.read(c); err != nil {
			return err
		}
		if c, err = s.must(); err != nil {
			return err
		}
		if c == '}' {
			break
		}
		if c != ',' {
			return s.fail("a comma or a closing brace is expected")
		}
		whole.put(',')
	}
	if collection {
		return nil
	}
	whole.put('}')
	return s.fn(part{"", whole.raw, whole.long})
}

// value collects the bytes of one JSON value, at most MaxResource of them.
type value struct {
	s    *splitter
	raw  []byte
	long bool
}

func (v *value) reset() { v.raw, v.long = v.raw[:0], false }

func (v *value) put(c byte) {
	if len(v.raw) >= MaxResource {
		v.long = true
		return
	}
	v.raw = append(v.raw, c)
}

// read reads the value that begins with c. It sees to quotes and brackets; the
// rest of the grammar is looked at when the value is.
func (v *value) read(c byte) error {
	depth := 0
	for {
		v.put(c)
		switch c {
		case '{', '[':
			if depth++; depth > maxNesting {
				return v.s.fail("the value is nested too deeply")
			}
		case '}', ']':
			depth--
		case '"':
			if err := v.text(); err != nil {
				return err
			}
		default:
			if depth == 0 {
				return v.scalar()
			}
		}
		if depth <= 0 {
			return nil
		}
		var err error
		if c, err = v.s.next(); err != nil {
			return v.early(err)
		}
	}
}

func (v *value) early(err error) error {
	if errors.Is(err, errEnd) {
		return v.s.fail("it ends too early")
	}
	return err
}

// text reads the rest of a text whose first quote has been read.
func (v *value) text() error {
	for {
		c, err := v.s.next()
		if err != nil {
			return v.early(err)
		}
		v.put(c)
		switch c {
		case '"':
			return nil
		case '\\':
			if c, err = v.s.next(); err != nil {
				return v.early(err)
			}
			v.put(c)
		}
	}
}

// scalar reads the rest of a number or word, up to what ends it.
func (v *value) scalar() error {
	for {
		b, err := v.s.in.Peek(1)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		switch b[0] {
		case ',', ']', '}', ' ', '\t', '\n', '\r', ':', '"', '[', '{':
			return nil
		}
		c, err := v.s.next()
		if err != nil {
			return err
		}
		v.put(c)
	}
}
