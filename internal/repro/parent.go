package repro

import (
	"fmt"

	"byrelog.example/internal/event"
)

// bull is who sired an animal, and how that is known.
type bull struct {
	code word
	on   event.Date // of the dam's service that it is derived from; 0 = stated
	dam  *life      // whose service that is
}

// damOf is the dam of an animal as far as the herd has her in its records, or nil.
func (k *lookup) damOf(l *life) *life {
	if l.dam == 0 {
		return nil
	}
	on := l.born
	if on == 0 {
		on = l.in
	}
	if dam := k.bearerOf(l.dam, on); dam != nil && dam != l {
		return dam
	}
	return nil
}

// sire is her sire: as an arrival of hers states, or the bull of the service from
// which her dam calved with her. A service of several bulls leaves it open.
func (k *lookup) sire(l, dam *life) bull {
	if l.sire != 0 || dam == nil || l.born == 0 {
		return bull{code: l.sire}
	}
	if s := dam.cameOf(l.born); s != nil && !s.siresDiffer && s.sire != 0 {
		return bull{s.sire, s.last, dam}
	}
	return bull{}
}

// damSire is her dam's sire, known in the same ways. An embryo's dam is not in the
// records: the cow that carried her is none of her ancestors.
func (k *lookup) damSire(l, dam *life) bull {
	if l.damSire != 0 || dam == nil {
		return bull{code: l.damSire}
	}
	if s := dam.cameOf(l.born); s != nil && s.method == embryo {
		return bull{}
	}
	if dam.sire != 0 {
		return bull{code: dam.sire, dam: dam}
	}
	return k.sire(dam, k.damOf(dam))
}

// cameOf is the service of hers from which a calf born on a day, or reported some days
// off, came, or nil.
func (l *life) cameOf(born event.Date) *service {
	for i := range l.pregnancies {
		p := &l.pregnancies[i]
		if off := p.calved - born; p.calved != 0 && p.service >= 0 && off >= -sameCalving && off <= sameCalving {
			return &l.services[p.service]
		}
	}
	return nil
}

// bullView says who he is and how that is known.
func (k *lookup) bullView(b bull) *BullView {
	if b.code == 0 {
		return nil
	}
	v := &BullView{Code: k.h.words.text(b.code), From: "stated", Text: "as stated when she came"}
	switch {
	case b.on != 0:
		v.From = "service"
		v.Text = fmt.Sprintf("the bull of the service of %s on %s", k.h.words.text(b.dam.name(b.on)), b.on)
	case b.dam != nil:
		v.Text = fmt.Sprintf("as stated when her dam %s came", k.h.words.text(b.dam.name(b.dam.in)))
	}
	return v
}

// parents: a service by her own sire, or by the sire of her dam. Who sired an embryo
// is no kin of hers.
func (w *watcher) parents() {
	l := w.l
	var sire, damSire bull
	known := false
	for i := range l.recs {
		r := &l.recs[i]
		if r.kind != event.KindBreeding || r.text == 0 || r.a == embryo {
			continue
		}
		if !known {
			dam := w.k.damOf(l)
			sire, damSire, known = w.k.sire(l, dam), w.k.damSire(l, dam), true
		}
		switch r.text {
		case sire.code:
			w.add("bred_by_sire", r.on, []int64{r.seq}, "bred by %s, her own sire (%s)", w.k.h.words.text(r.text), w.k.bullView(sire).Text)
		case damSire.code:
			w.add("bred_by_dams_sire", r.on, []int64{r.seq}, "bred by %s, the sire of her dam (%s)", w.k.h.words.text(r.text), w.k.bullView(damSire).Text)
		}
	}
}
