package stats

import "math"

// Span is how long one subject was followed, in whole days (negative counts
// as 0), and whether the event ended it or it was censored.
type Span struct {
	Days  int
	Event bool
}

// Step is the survival curve from one day on: the share that has not had the
// event by the end of that day. There is one for every day on which a span ends.
type Step struct {
	Days     int     `json:"days"`
	AtRisk   int     `json:"at_risk"` // followed up to this day, its own events and censorings included
	Events   int     `json:"events"`
	Censored int     `json:"censored"`
	Survival float64 `json:"survival"`
	// Variance of Survival by Greenwood's formula; 0 where Survival is 0, for
	// which the formula has no value.
	Variance float64 `json:"variance"`
	// Bounds of Survival, 95 %, by the log-log method; null where Survival is 1
	// or 0, for which the method has none.
	Low  *float64 `json:"low"`
	High *float64 `json:"high"`
}

// Curve is a survival curve with what it was made of.
type Curve struct {
	N        int    `json:"n"`
	Events   int    `json:"events"`
	Censored int    `json:"censored"`
	Steps    []Step `json:"steps"` // by day
}

// KaplanMeier is the product-limit estimate of survival (Kaplan and Meier
// 1958). Who is censored on a day was at risk of the events of that day. spans
// is left as it is.
func KaplanMeier(spans []Span) Curve {
	c := Curve{N: len(spans), Steps: []Step{}}
	events, censored := make([]int, 0, len(spans)), make([]int, 0, len(spans))
	for _, s := range spans {
		if s.Event {
			events = append(events, max(0, s.Days))
		} else {
			censored = append(censored, max(0, s.Days))
		}
	}
	Sort(events)
	Sort(censored)
	survival, greenwood := 1.0, 0.0
	for len(events)+len(censored) > 0 {
		s := Step{AtRisk: len(events) + len(censored)}
		switch {
		case len(events) == 0:
			s.Days = censored[0]
		case len(censored) == 0:
			s.Days = events[0]
		default:
			s.Days = min(events[0], censored[0])
		}
		for ; len(events) > 0 && events[0] == s.Days; events = events[1:] {
			s.Events++
		}
		for ; len(censored) > 0 && censored[0] == s.Days; censored = censored[1:] {
			s.Censored++
		}
		c.Events, c.Censored = c.Events+s.Events, c.Censored+s.Censored
		if left := s.AtRisk - s.Events; left == 0 {
			survival, greenwood = 0, 0
		} else {
			survival *= float64(left) / float64(s.AtRisk)
			greenwood += float64(s.Events) / (float64(s.AtRisk) * float64(left))
		}
		s.Survival, s.Variance = survival, survival*survival*greenwood
		if survival > 0 && survival < 1 {
			s.Low, s.High = logLog(survival, math.Sqrt(greenwood))
		}
		c.Steps = append(c.Steps, s)
	}
	return c
}

// logLog gives the 95 % bounds of a survival strictly between 0 and 1. They
// are normal on the scale of log(-log S), so they never leave 0 to 1. se is
// the standard error of log S.
func logLog(survival, se float64) (low, high *float64) {
	at := math.Log(-math.Log(survival))
	half := z95 * se / -math.Log(survival)
	l, h := math.Exp(-math.Exp(at+half)), math.Exp(-math.Exp(at-half))
	return &l, &h
}

// At is the survival at the end of a day: the share that has not had the event
// by then. It is 1 before the first step, and of the last step ever after.
func (c *Curve) At(day int) float64 {
	survival := 1.0
	for _, s := range c.Steps {
		if s.Days > day {
			break
		}
		survival = s.Survival
	}
	return survival
}

// Median is the day by which half have had the event, with its 95 % interval:
// the days on which the bounds of the curve cross one half (Brookmeyer and
// Crowley 1982). Each is null if its curve stays above one half. Where a curve
// lies on one half for a while, it is the middle of that while, as R's survfit
// has it; so halves of days occur.
func (c *Curve) Median() (median, low, high *float64) {
	return c.crossing(func(s *Step) *float64 { return &s.Survival }),
		c.crossing(func(s *Step) *float64 { return s.Low }),
		c.crossing(func(s *Step) *float64 { return s.High })
}

// crossing is the day on which a curve reaches one half.
func (c *Curve) crossing(of func(*Step) *float64) *float64 {
	const tolerance = 1.5e-8 // products of quotients seldom hit one half exactly
	for i := range c.Steps {
		v := of(&c.Steps[i])
		if v == nil || *v >= 0.5+tolerance {
			continue
		}
		day := float64(c.Steps[i].Days)
		if *v > 0.5-tolerance {
			for k := i + 1; k < len(c.Steps); k++ {
				if w := of(&c.Steps[k]); w != nil && *w < *v {
					day = (day + float64(c.Steps[k].Days)) / 2
					break
				}
			}
		}
		return &day
	}
	return nil
}
