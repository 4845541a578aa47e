package httpapi

import (
	"bytes"
	"testing"
)

func TestMemo(t *testing.T) {
	m := newMemo(100)
	body := func(c byte, n int) []byte { return bytes.Repeat([]byte{c}, n) }
	has := func(tag string, want bool) {
		t.Helper()
		if _, ok := m.get(tag); ok != want {
			t.Errorf("%s is there: %v", tag, ok)
		}
	}
	m.put("a", body('a', 40))
	m.put("b", body('b', 40))
	has("a", true) // and is now the last used
	m.put("c", body('c', 40))
	has("a", true)
	has("b", false)
	has("c", true)
	m.put("huge", body('x', 51))
	has("huge", false)
	m.put("a", body('z', 10)) // a tag stands for one answer
	if got, _ := m.get("a"); !bytes.Equal(got, body('a', 40)) {
		t.Errorf("a is %s", got)
	}
	if m.total != 80 {
		t.Errorf("%d bytes are accounted", m.total)
	}
}
