package repro

import "byrelog.example/internal/event"

// judgedSize is the latest size recorded of her up to a day that says whether she is
// big enough to be bred, or nil.
func (l *life) judgedSize(on event.Date) *rec {
	recs := upTo(l.recs, on)
	for i := len(recs) - 1; i >= 0; i-- {
		if r := &recs[i]; r.kind == event.KindSize && r.a != 0 {
			return r
		}
	}
	return nil
}

// tooSmall is judgedSize if it found her too small.
func (l *life) tooSmall(on event.Date) *rec {
	if r := l.judgedSize(on); r != nil && r.a == tooSmall {
		return r
	}
	return nil
}

func (k *lookup) sizes(l *life) []SizeView {
	out := []SizeView{}
	for i := range l.recs {
		r := &l.recs[i]
		if r.kind != event.KindSize || r.on > k.on {
			continue
		}
		v := SizeView{On: r.on, WeightKG: optional16(r.num), Seq: r.seq}
		if r.a != 0 {
			big := r.a == bigEnough
			v.BigEnough = &big
		}
		if r.c != 0 {
			cm := int(r.c)
			v.HeightCM = &cm
		}
		out = append(out, v)
	}
	return out
}
