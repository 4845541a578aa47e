package repro_test

import (
	"testing"

	"byrelog.example/internal/event"
)

// A departure written under the old number is hers: she has left under the new
// number too, so that its next arrival is another animal, and the day on which
// she left stays.
func TestLeavingUnderTheOldNumber(t *testing.T) {
	s := tell(t).born("1", "2022-01-01")
	s.add("1", "2024-01-01", &event.Renumber{To: "2"})
	s.left("1", "2024-03-01", "lameness")
	s.born("2", "2024-05-01")
	h := s.until("2024-12-31").herd()
	equal(t, "the day she left", look(t, h, "1", "2024-12-31").LeftOn, day("2024-03-01"))
	equal(t, "the next to bear her number", look(t, h, "2", "2024-06-01").EnteredOn, day("2024-05-01"))
	s.add("3", "2024-04-01", &event.Renumber{To: "2"})
	equal(t, "the day she left, number taken since", look(t, s.herd(), "1", "2024-12-31").LeftOn, day("2024-03-01"))
}
