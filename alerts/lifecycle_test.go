package alerts

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
)

// The table of testdata/checks/alarm_states.json is the state model of
// ANSI/ISA-18.2-2016 and IEC 62682 as described in the places that the file
// names; its latching moves are from memory of the standard and of OPC UA
// Part 9, 4.8.
type published struct {
	States map[string]struct {
		Letter string `json:"letter"`
	} `json:"states"`
	Plain    [][3]string `json:"transitions_nonlatching"`
	Latching [][3]string `json:"transitions_latching"`
	Aside    [][3]string `json:"suppression"`
}

var codes = map[string]State{
	"NORM": Normal, "UNACK": Unacked, "ACKED": Acked, "RTNUN": ReturnedUnack, "LATUN": LatchedUnack,
	"LATAK": LatchedAck, "SHLVD": Shelved, "DSUPR": Suppressed, "OOSRV": OutOfService,
}

var inputWords = []struct {
	begins string
	in     input
}{
	{"condition true", inRaise}, {"condition false", inReturn}, {"acknowledge", inAck}, {"re-alarm", inRemind}, {"reset", inReset},
	{"shelve", inShelve}, {"unshelve", inUnshelve}, {"designed suppression on", inSuppress}, {"off", inUnsuppress},
	{"remove from service", inRemove}, {"return to service", inRestore},
}

func inputOf(t *testing.T, words string) input {
	t.Helper()
	for _, w := range inputWords {
		if strings.HasPrefix(words, w.begins) {
			return w.in
		}
	}
	t.Fatalf("the published table has an input %q that the test does not know", words)
	return inputs
}

func loadPublished(t *testing.T) published {
	t.Helper()
	b, err := os.ReadFile("../testdata/checks/alarm_states.json")
	if err != nil {
		t.Fatal(err)
	}
	var p published
	if err := json.Unmarshal(b, &p); err != nil {
		t.Fatal(err)
	}
	if len(p.Plain) == 0 || len(p.Latching) == 0 || len(p.Aside) == 0 || len(p.States) != len(codes) {
		t.Fatalf("the published table is not whole: %d plain, %d latching, %d aside, %d states", len(p.Plain), len(p.Latching), len(p.Aside), len(p.States))
	}
	return p
}

type pair struct {
	from State
	in   input
}

// wanted is the published table spread out: every (state, input) that moves.
func (p published) wanted(t *testing.T, latching bool) map[pair]string {
	t.Helper()
	want := map[pair]string{}
	table := p.Plain
	if latching {
		table = p.Latching
		// The file's latching table leaves out what a reset one becomes: like a
		// plain alarm that returned, it waits to be acknowledged.
		for _, m := range p.Plain {
			if m[0] == "RTNUN" || m[1] == "re-alarm" {
				want[pair{codes[m[0]], inputOf(t, m[1])}] = m[2]
			}
		}
	}
	for _, m := range table {
		want[pair{codes[m[0]], inputOf(t, m[1])}] = m[2]
	}
	for _, m := range p.Aside {
		if m[0] == "any" {
			for _, s := range codes {
				want[pair{s, inputOf(t, m[1])}] = m[2]
			}
			continue
		}
		for _, words := range strings.Split(m[1], " or ") {
			if strings.HasPrefix(words, "time limit") {
				continue // the watch sends unshelve when the time is over
			}
			want[pair{codes[m[0]], inputOf(t, words)}] = m[2]
		}
	}
	return want
}

// TestEveryMoveAgainstPublishedTable goes through every pair of a state and an
// input, condition true and false, for alarms that latch and that don't: those
// in the published table must go where it says, all others must not move.
func TestEveryMoveAgainstPublishedTable(t *testing.T) {
	p := loadPublished(t)
	for _, c := range []struct {
		name  string
		cycle cycle
	}{{"plain", plainCycle}, {"latching", latchCycle}} {
		want := p.wanted(t, c.cycle == latchCycle)
		checked := 0
		for _, from := range codes {
			for in := input(0); in < inputs; in++ {
				for _, active := range []bool{false, true} {
					got, moved := next(c.cycle, from, in, active)
					to, shall := want[pair{from, in}]
					wantState := from
					if shall {
						if strings.HasPrefix(to, "re-evaluate") {
							if wantState = Normal; active {
								wantState = Unacked
							}
						} else {
							wantState = codes[to]
						}
					}
					if moved != shall || got != wantState {
						t.Errorf("%s: %s + %s (condition %v): got %s moved %v, want %s moved %v", c.name, from, why[in], active, got, moved, wantState, shall)
					}
					checked++
				}
			}
		}
		if want := len(codes) * int(inputs) * 2; checked != want {
			t.Errorf("%s: checked %d pairs, want %d", c.name, checked, want)
		}
	}
}

// TestCuesNeedNoAnswer: a cue (a prompt, in the standard's words) whose work is
// done goes back to normal by itself, from any of its two standing states.
func TestCuesNeedNoAnswer(t *testing.T) {
	want := map[pair]State{
		{Normal, inRaise}: Unacked, {Unacked, inAck}: Acked, {Unacked, inReturn}: Normal, {Acked, inReturn}: Normal,
	}
	for _, from := range []State{Normal, Unacked, Acked, ReturnedUnack, LatchedUnack, LatchedAck} {
		for in := range inShelve {
			got, moved := next(promptCycle, from, in, false)
			to, shall := want[pair{from, in}]
			if moved != shall || (shall && got != to) {
				t.Errorf("%s + %s: got %s moved %v, want %s moved %v", from, why[in], got, moved, to, shall)
			}
		}
	}
}
