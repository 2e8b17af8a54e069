package alerts

// The life cycle after ANSI/ISA-18.2 and IEC 62682: a table of moves, and one
// function that reads it. The states' letters in the standard are given beside
// the states in testdata/checks/alarm_states.json, against which the table is
// tested pair by pair.

// input is what can happen to an alarm or a cue.
type input uint8

const (
	inRaise      input = iota // its condition holds, after the on-delay
	inReturn                  // its condition is over, after deadband and off-delay
	inAck                     // the maker has seen it
	inReset                   // the maker releases a latch
	inRemind                  // acknowledged, yet still true after the set time
	inShelve                  // put aside by the maker for a limited time
	inUnshelve                // taken back, or the time is over
	inSuppress                // another alarm says the same, and more
	inUnsuppress              // that one is over
	inRemove                  // out of service, with a reason
	inRestore                 // back in service
	inputs                    // how many there are
)

// why is what a notice says about each input.
var why = [inputs]string{
	inRaise: "raised", inReturn: "returned", inAck: "acknowledged", inReset: "reset", inRemind: "reminded",
	inShelve: "shelved", inUnshelve: "unshelved", inSuppress: "suppressed", inUnsuppress: "unsuppressed",
	inRemove: "removed", inRestore: "restored",
}

// cycle is which of the three life cycles a rule has.
type cycle uint8

const (
	plainCycle  cycle = iota // an alarm that goes away with its cause, once seen
	latchCycle               // a dangerous alarm: it stays until it is seen and reset
	promptCycle              // a cue: done work needs no acknowledgement
)

// reevaluate stands for "normal, or unacknowledged if the condition holds".
const reevaluate State = "re-evaluate"

type move struct {
	from State
	in   input
	to   State
}

var moves = [...][]move{
	plainCycle: {
		{Normal, inRaise, Unacked},
		{Unacked, inAck, Acked},
		{Unacked, inReturn, ReturnedUnack},
		{Acked, inReturn, Normal},
		{Acked, inRemind, Unacked},
		{ReturnedUnack, inAck, Normal},
		{ReturnedUnack, inRaise, Unacked},
	},
	latchCycle: {
		{Normal, inRaise, Unacked},
		{Unacked, inAck, Acked},
		{Unacked, inReturn, LatchedUnack},
		{Acked, inReturn, LatchedAck},
		{Acked, inRemind, Unacked},
		{LatchedUnack, inAck, LatchedAck},
		{LatchedUnack, inRaise, Unacked},
		{LatchedUnack, inReset, ReturnedUnack},
		{LatchedAck, inRaise, Unacked},
		{LatchedAck, inReset, Normal},
		{ReturnedUnack, inAck, Normal},
		{ReturnedUnack, inRaise, Unacked},
	},
	promptCycle: {
		{Normal, inRaise, Unacked},
		{Unacked, inAck, Acked},
		{Unacked, inReturn, Normal},
		{Acked, inReturn, Normal},
	},
}

// asideMoves are the same in every cycle; the first three start from any state.
var asideMoves = []move{
	{"", inShelve, Shelved},
	{"", inSuppress, Suppressed},
	{"", inRemove, OutOfService},
	{Shelved, inUnshelve, reevaluate},
	{Suppressed, inUnsuppress, reevaluate},
	{OutOfService, inRestore, reevaluate},
}

// next gives the state after in, and whether the table has such a move at all.
// active says whether the condition holds now, for the moves that re-evaluate.
func next(c cycle, from State, in input, active bool) (State, bool) {
	to, ok := State(""), false
	for _, m := range moves[c] {
		if m.from == from && m.in == in {
			to, ok = m.to, true
		}
	}
	for _, m := range asideMoves {
		if (m.from == from || m.from == "") && m.in == in {
			to, ok = m.to, true
		}
	}
	if !ok {
		return from, false
	}
	if to == reevaluate {
		if to = Normal; active {
			to = Unacked
		}
	}
	return to, true
}

// aside reports whether a state keeps an alarm or cue from asking for attention.
func aside(s State) bool { return s == Shelved || s == Suppressed || s == OutOfService }
