package reread

import (
	"testing"
	"time"
)

// The plan says after which point no further hour wins enough, also where a
// step is longer than an hour, or a poor hour comes before a good one.
func TestStop(t *testing.T) {
	step := func(took time.Duration, weight float64) Step { return Step{Took: took, Weight: weight} }
	for _, c := range []struct {
		name  string
		steps []Step
		worth float64
		step  int
		next  float64
	}{
		{"none asked for", []Step{step(time.Hour, 1)}, 0, -1, 0},
		{"nothing to read", nil, 1, 0, 0},
		{"all of it is worth it", []Step{step(time.Hour, 5), step(time.Hour, 4)}, 3, 2, 0},
		{"none of it is", []Step{step(time.Hour, 5), step(time.Hour, 4)}, 6, 0, 5},
		{"the last is not", []Step{step(time.Hour, 5), step(time.Hour, 1)}, 3, 1, 1},
		{"short steps", []Step{step(time.Minute, 2), step(time.Minute, 2), step(2*time.Hour, 1)}, 2.3, 1 + 1, 0.5},
		{"a step longer than an hour", []Step{step(10*time.Hour, 100), step(time.Hour, 1)}, 5, 1, 1},
		{"and one that wins too little in each", []Step{step(10*time.Hour, 100)}, 11, 0, 10},
		{"a poor hour before a good one", []Step{step(time.Hour, 1), step(time.Hour, 9), step(time.Hour, 1)}, 5, 2, 1},
		{"steps without time", []Step{step(0, 1), step(0, 1), step(time.Hour, 1)}, 2, 2, 1},
		{"large and small weights", []Step{step(time.Minute, 1e18), step(time.Minute, 5)}, 1e-9, 2, 0},
	} {
		p := &Plan{Steps: c.steps, Options: Options{Worth: c.worth}}
		p.stop()
		switch {
		case c.step < 0:
			if p.Stop != nil {
				t.Errorf("%s: %+v, want none", c.name, p.Stop)
			}
		case p.Stop == nil || p.Stop.Step != c.step || p.Stop.Next != c.next:
			t.Errorf("%s: %+v, want step %d, next %g", c.name, p.Stop, c.step, c.next)
		}
	}
}
