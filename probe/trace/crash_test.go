package trace_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/probe/trace"
)

// crashWriter is the program that TestKill kills: it writes readings, events,
// batches and documents as fast as it can, and prints what has been acknowledged.
func crashWriter(path string) int {
	fail := func(err error) int {
		fmt.Println("error", err)
		return 1
	}
	s, err := trace.Open(path, trace.Options{FlushEvery: 20 * time.Millisecond})
	if err != nil {
		return fail(err)
	}
	out := bufio.NewWriter(os.Stdout)
	say := func(format string, args ...any) {
		fmt.Fprintf(out, format+"\n", args...)
		out.Flush()
	}
	ctx := context.Background()
	seq, _, _, err := s.Last(ctx)
	if err != nil {
		return fail(err)
	}
	say("begin %d", seq)
	for n := int(seq) + 1; ; n++ {
		seq := s.Append(potReading("BH-KILL", n, 20+float64(n%1000)/16))
		switch n % 16 {
		case 0, 5:
			id := fmt.Sprintf("e%d", n)
			seq, err := s.Commit(ctx, event("BH-KILL", id, "note", n))
			if err != nil {
				return fail(err)
			}
			say("event %d %s", seq, id)
		case 3:
			if err := s.Flush(ctx); err != nil {
				return fail(err)
			}
			say("reading %d %d", seq, n)
		case 9:
			if err := s.PutBatch(ctx, trace.Batch{ID: "BH-KILL", Pot: "1", Stage: strconv.Itoa(n)}); err != nil {
				return fail(err)
			}
			say("batch %d", n)
		case 12:
			if err := s.PutDoc(ctx, "lesson", "last", []byte(strconv.Itoa(n)), "test"); err != nil {
				return fail(err)
			}
			say("document %d", n)
		}
	}
}

// TestKill kills a writer at a random moment, again and again on one file, and
// looks for everything it had acknowledged. A kill is not a power cut: what the
// kernel had taken is not lost with the process. That each commit is synced
// before it is acknowledged is SQLite's doing (synchronous=FULL).
func TestKill(t *testing.T) {
	path := newPath(t)
	events, readings := map[int64]string{}, map[int64]int{}
	var batch, document int
	for round := range *crashRounds {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "TRACE_CRASH_WRITER="+path)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		begun := false
		for lines.Scan() {
			f := strings.Fields(lines.Text())
			if !begun {
				begun = true
				// From the first answer on, at any moment.
				time.AfterFunc(time.Duration(rand.Int64N(int64(60*time.Millisecond))), func() { cmd.Process.Kill() })
			}
			number := func(i int) int {
				n, err := strconv.Atoi(f[i])
				if err != nil {
					t.Fatalf("round %d: %q: %v", round, lines.Text(), err)
				}
				return n
			}
			switch f[0] {
			case "begin":
			case "event":
				events[int64(number(1))] = f[2]
			case "reading":
				readings[int64(number(1))] = number(2)
			case "batch":
				batch = number(1)
			case "document":
				document = number(1)
			default:
				t.Fatalf("round %d: the writer says %q", round, lines.Text())
			}
		}
		if err := cmd.Wait(); cmd.ProcessState.Success() || cmd.ProcessState.Exited() {
			t.Fatalf("round %d: the writer was not killed: %v", round, err)
		}
		if err := trace.Check(t.Context(), path); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		s, err := trace.Open(path, trace.Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if s.SetAside() != "" {
			t.Fatalf("round %d: the database was set aside", round)
		}
		found, seen := 0, int64(0)
		for e, err := range s.Entries(t.Context(), "BH-KILL", 0) {
			if err != nil {
				t.Fatalf("round %d: %v", round, err)
			}
			if e.Seq != seen+1 {
				t.Fatalf("round %d: after number %d comes %d", round, seen, e.Seq)
			}
			seen = e.Seq
			if id, ok := events[e.Seq]; ok {
				if e.ID != id {
					t.Fatalf("round %d: number %d is %q, acknowledged was %q", round, e.Seq, e.ID, id)
				}
				found++
			}
			if n, ok := readings[e.Seq]; ok {
				if want := 20 + float64(n%1000)/16; e.Celsius != want {
					t.Fatalf("round %d: number %d reads %v °C, acknowledged was %v", round, e.Seq, e.Celsius, want)
				}
				found++
			}
		}
		if want := len(events) + len(readings); found != want {
			t.Fatalf("round %d: %d of %d acknowledged entries are there", round, found, want)
		}
		if batch > 0 {
			b, err := s.Batch(t.Context(), "BH-KILL")
			if stage, _ := strconv.Atoi(b.Stage); err != nil || stage < batch {
				t.Fatalf("round %d: the batch is at %q (%v), acknowledged was %d", round, b.Stage, err, batch)
			}
		}
		if document > 0 {
			d, err := s.Doc(t.Context(), "lesson", "last")
			if n, _ := strconv.Atoi(string(d)); err != nil || n < document {
				t.Fatalf("round %d: the document is %q (%v), acknowledged was %d", round, d, err, document)
			}
		}
		closeStore(t, s)
	}
	if len(events) == 0 || len(readings) == 0 {
		t.Fatalf("%d events and %d readings were acknowledged in %d rounds: nothing was tested", len(events), len(readings), *crashRounds)
	}
	t.Logf("%d rounds: %d events and %d flushed readings acknowledged, all there", *crashRounds, len(events), len(readings))
	if left, _ := filepath.Glob(path + ".*"); len(left) > 1 { // the lock
		t.Errorf("left behind: %q", left)
	}
}
