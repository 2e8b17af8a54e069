package calibrate

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/gofrs/flock"
	"github.com/pelletier/go-toml/v2"
)

// FileName is the calibration file's name in the station's data directory.
const FileName = "calibration.toml"

// maxFile is the largest calibration file read: some ten thousand points.
const maxFile = 4 << 20

// Book is every point ever taken, oldest first.
type Book struct {
	Points []Point `toml:"point"`
}

const heading = `# What each probe showed, and what it should have shown.
# Kept by "meltstation calibrate"; the newest points of a probe count.

`

// Load reads a calibration file. One that is not there is an empty book. Anything
// it does not understand is an error that names the file and the line: a
// calibration is not guessed at.
func Load(path string) (*Book, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return &Book{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("open calibrations: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("read calibrations: %w", err)
	}
	b, err := Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return b, nil
}

// Parse reads the text of a calibration file.
func Parse(text []byte) (*Book, error) {
	if len(text) > maxFile {
		return nil, errors.New("too long for a calibration file; move it away and calibrate again")
	}
	var b Book
	dec := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
	if err := dec.Decode(&b); err != nil {
		var bad *toml.DecodeError
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) && len(strict.Errors) > 0 {
			bad = &strict.Errors[0]
			line, _ := bad.Position()
			return nil, fmt.Errorf("line %d: key %v is not known; take it out", line, bad.Key())
		}
		if errors.As(err, &bad) {
			line, col := bad.Position()
			return nil, fmt.Errorf("line %d, column %d: %s; mend it, or move the file away and calibrate again", line, col, bad.Error())
		}
		return nil, fmt.Errorf("%w; mend it, or move the file away and calibrate again", err)
	}
	for i, p := range b.Points {
		if err := p.Check(); err != nil {
			return nil, fmt.Errorf("line %d: %w; mend or take out this [[point]]", pointLine(text, i), err)
		}
	}
	slices.SortStableFunc(b.Points, func(a, c Point) int { return a.At.Compare(c.At) })
	return &b, nil
}

// pointLine is the line on which the nth [[point]] starts.
func pointLine(text []byte, n int) int {
	for i, line := range bytes.Split(text, []byte("\n")) {
		if bytes.HasPrefix(bytes.TrimSpace(line), []byte("[[")) {
			if n == 0 {
				return i + 1
			}
			n--
		}
	}
	return 1
}

// Of gives the points of one probe, oldest first.
func (b *Book) Of(probe string) []Point {
	var out []Point
	for _, p := range b.Points {
		if p.Probe == probe {
			out = append(out, p)
		}
	}
	return out
}

// For is the calibration in force for one probe.
func (b *Book) For(probe string) Calibration { return From(b.Of(probe)) }

// Probes lists the probes the book knows, sorted.
func (b *Book) Probes() []string {
	var out []string
	for _, p := range b.Points {
		out = append(out, p.Probe)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Add appends a point to the file at path and gives the book as it is then. The
// file is replaced in one step (a new file, synced, then renamed), so that a cut
// of power leaves the old or the new one; it is readable by its owner alone. Two
// programs that add at once wait for each other.
func Add(path string, p Point) (*Book, error) {
	p.At = p.At.UTC().Truncate(time.Second)
	if err := p.Check(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("make the data directory: %w", err)
	}
	lock := flock.New(path+".lock", flock.SetPermissions(0o600))
	if err := lock.Lock(); err != nil {
		return nil, fmt.Errorf("lock calibrations: %w", err)
	}
	defer lock.Unlock()
	b, err := Load(path)
	if err != nil {
		return nil, err
	}
	b.Points = append(b.Points, p)
	slices.SortStableFunc(b.Points, func(a, c Point) int { return a.At.Compare(c.At) })
	text, err := toml.Marshal(b)
	if err != nil {
		return nil, fmt.Errorf("write calibrations: %w", err)
	}
	if err := replace(path, append([]byte(heading), text...)); err != nil {
		return nil, fmt.Errorf("write calibrations: %w", err)
	}
	return b, nil
}

func replace(path string, text []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), FileName+".*") // mode 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	if _, err = f.Write(text); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return nil // the rename is done; only its being on disk can't be made sure
	}
	defer d.Close()
	d.Sync() // some file systems can't sync a directory
	return nil
}
