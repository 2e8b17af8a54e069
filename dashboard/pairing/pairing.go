// Package pairing knows which devices may see the station over the network: it
// makes short-lived codes, turns one into a device's token, and looks tokens up.
//
// A code is eight letters, serves once, and lives five minutes; a guess is
// compared in constant time and tries are rationed. A token is 256 random bits,
// of which only the SHA-256 hash is kept: a token is no password, so it needs no
// slow hash, and a stolen database holds nothing that opens the station.
package pairing

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/time/rate"
)

// Role is what a device may do.
type Role string

// The roles.
const (
	Maker  Role = "maker"  // everything
	Viewer Role = "viewer" // look
)

// Device is one paired phone, tablet or computer.
type Device struct {
	ID     string    `json:"id"`
	Name   string    `json:"name"`
	Role   Role      `json:"role"`
	Paired time.Time `json:"paired"` // UTC
	Seen   time.Time `json:"seen"`   // UTC, to the hour
	Hash   []byte    `json:"hash"`   // SHA-256 of its token
}

// Store keeps devices over a restart.
type Store interface {
	LoadDevices(ctx context.Context) ([]Device, error)
	SaveDevice(ctx context.Context, d Device) error // new or changed
	DeleteDevice(ctx context.Context, id string) error
}

// Why pairing is refused.
var (
	ErrCode    = errors.New("no such code")                  // wrong, used, or too old
	ErrTooMany = errors.New("too many tries")                // rationed; later tries may be heard
	ErrRole    = errors.New("no such role")                  // neither maker nor viewer
	ErrDevice  = errors.New("no such device")                // at Remove
	ErrFull    = errors.New("too many devices are paired")   // remove one first
	ErrName    = errors.New("the device's name is too long") // more than MaxName characters
)

// Limits.
const (
	CodeLife   = 5 * time.Minute
	MaxName    = 60                   // characters of a device's name
	Idle       = 180 * 24 * time.Hour // a device not seen for this long must pair again
	maxCodes   = 8                    // outstanding at once; the oldest gives way
	maxDevices = 200
	seenStep   = time.Hour // the least step of Device.Seen, to spare the disk
)

// The ration of tries: for one address, and for all together. At 30 tries a
// minute over five minutes, the chance to hit one of eight codes among
// 20^8 = 2.56e10 is 5e-8.
const (
	triesEach = 5  // a minute
	triesAll  = 30 // a minute
	maxPeers  = 512
)

// letters is the alphabet that RFC 8628, section 6.1, suggests for codes that
// people type: no vowels, so no words, and no digits to mix up.
const letters = "BCDFGHJKLMNPQRSTVWXZ"

// Code is a fresh pairing code.
type Code struct {
	Text    string // "BCDF-GHJK"
	Role    Role
	Expires time.Time
}

type pending struct {
	hash    [sha256.Size]byte
	role    Role
	expires time.Time
}

// Registry is the devices and the codes. It may be used by many goroutines.
type Registry struct {
	store Store
	now   func() time.Time

	mu      sync.Mutex
	codes   []pending // the oldest first
	devices map[string]*Device
	byHash  map[[sha256.Size]byte]*Device
	all     *rate.Limiter
	each    map[netip.Prefix]*rate.Limiter
}

// Open loads the devices. A nil now is [time.Now].
func Open(ctx context.Context, store Store, now func() time.Time) (*Registry, error) {
	if now == nil {
		now = time.Now
	}
	list, err := store.LoadDevices(ctx)
	if err != nil {
		return nil, fmt.Errorf("loading paired devices: %w", err)
	}
	r := &Registry{
		store:   store,
		now:     now,
		devices: make(map[string]*Device),
		byHash:  make(map[[sha256.Size]byte]*Device),
		all:     rate.NewLimiter(rate.Limit(triesAll)/60, triesAll),
		each:    make(map[netip.Prefix]*rate.Limiter),
	}
	for _, d := range list {
		if len(d.Hash) != sha256.Size || (d.Role != Maker && d.Role != Viewer) || d.ID == "" {
			continue // damaged: it must pair again
		}
		r.keep(d)
	}
	return r, nil
}

func (r *Registry) keep(d Device) {
	r.devices[d.ID] = &d
	r.byHash[[sha256.Size]byte(d.Hash)] = &d
}

// NewCode makes a code that pairs one device as role.
func (r *Registry) NewCode(role Role) (Code, error) {
	if role != Maker && role != Viewer {
		return Code{}, fmt.Errorf("%w: %q", ErrRole, role)
	}
	text := make([]byte, 0, 9)
	var b [1]byte
	for len(text) < 9 {
		if len(text) == 4 {
			text = append(text, '-')
		}
		rand.Read(b[:])
		if b[0] >= 240 { // 240 = 12 * 20: every letter equally likely
			continue
		}
		text = append(text, letters[int(b[0])%len(letters)])
	}
	c := Code{Text: string(text), Role: role, Expires: r.now().Add(CodeLife)}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sweep()
	if len(r.codes) == maxCodes {
		r.codes = r.codes[1:]
	}
	r.codes = append(r.codes, pending{hashCode(c.Text), role, c.Expires})
	return c, nil
}

// sweep forgets the codes that are too old.
func (r *Registry) sweep() {
	now := r.now()
	r.codes = slices.DeleteFunc(r.codes, func(p pending) bool { return !now.Before(p.expires) })
}

// hashCode hashes a code as typed: case, blanks and dashes don't matter.
func hashCode(s string) [sha256.Size]byte {
	return sha256.Sum256([]byte(strings.Map(func(c rune) rune {
		if unicode.IsLetter(c) || unicode.IsDigit(c) {
			return unicode.ToUpper(c)
		}
		return -1
	}, s)))
}

// Pair takes a code that a device at address from has typed, and returns the
// device with its token. The token is not kept and can't be had again.
func (r *Registry) Pair(ctx context.Context, from netip.Addr, code, name string) (Device, string, error) {
	name = cleanName(name)
	if len([]rune(name)) > MaxName {
		return Device{}, "", ErrName
	}
	role, err := r.use(from, code)
	if err != nil {
		return Device{}, "", err
	}
	var secret [32]byte
	rand.Read(secret[:])
	token := base64.RawURLEncoding.EncodeToString(secret[:])
	hash := sha256.Sum256([]byte(token))
	now := r.now().UTC()
	d := Device{ID: rand.Text()[:12], Name: name, Role: role, Paired: now, Seen: now, Hash: hash[:]}
	if err := r.store.SaveDevice(ctx, d); err != nil {
		return Device{}, "", fmt.Errorf("keeping the paired device: %w", err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.keep(d)
	return d, token, nil
}

// use spends a code.
func (r *Registry) use(from netip.Addr, code string) (Role, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.now()
	if !r.limiter(from).AllowN(now, 1) || !r.all.AllowN(now, 1) {
		return "", ErrTooMany
	}
	if len(r.devices) >= maxDevices {
		return "", ErrFull
	}
	r.sweep()
	if len(code) > 64 {
		return "", ErrCode
	}
	guess := hashCode(code)
	found := -1
	for i := range r.codes { // all of them, whatever the first ones say
		if subtle.ConstantTimeCompare(guess[:], r.codes[i].hash[:]) == 1 {
			found = i
		}
	}
	if found < 0 {
		return "", ErrCode
	}
	role := r.codes[found].role
	r.codes = slices.Delete(r.codes, found, found+1)
	return role, nil
}

// limiter returns the ration of one address; IPv6 hosts own their whole /64.
func (r *Registry) limiter(from netip.Addr) *rate.Limiter {
	bits := 32
	from = from.Unmap()
	if from.Is6() {
		bits = 64
	}
	key, err := from.WithZone("").Prefix(bits)
	if err != nil {
		key = netip.Prefix{} // no address at all: one ration for all of them
	}
	l := r.each[key]
	if l == nil {
		if len(r.each) >= maxPeers {
			clear(r.each) // the ration for all still holds
		}
		l = rate.NewLimiter(rate.Limit(triesEach)/60, triesEach)
		r.each[key] = l
	}
	return l
}

// Lookup finds the device that holds a token.
func (r *Registry) Lookup(token string) (Device, bool) {
	if len(token) != 43 { // 32 bytes in unpadded base64
		return Device{}, false
	}
	hash := sha256.Sum256([]byte(token))
	r.mu.Lock()
	defer r.mu.Unlock()
	// A look-up by hash may take as long as it likes: nobody can choose a hash.
	d := r.byHash[hash]
	if d == nil || r.now().Sub(d.Seen) > Idle {
		return Device{}, false
	}
	return *d, true
}

// Known reports whether the device of that id is paired.
func (r *Registry) Known(id string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.devices[id] != nil
}

// Touch notes that a device was here. It writes at most once an hour.
func (r *Registry) Touch(ctx context.Context, id string) error {
	r.mu.Lock()
	d := r.devices[id]
	now := r.now().UTC()
	if d == nil || now.Sub(d.Seen) < seenStep {
		r.mu.Unlock()
		return nil
	}
	d.Seen = now
	saved := *d
	r.mu.Unlock()
	if err := r.store.SaveDevice(ctx, saved); err != nil {
		return fmt.Errorf("noting that %q was here: %w", saved.Name, err)
	}
	// Removed meanwhile: what was just saved must go again.
	if !r.Known(id) {
		return r.store.DeleteDevice(ctx, id)
	}
	return nil
}

// Devices returns every device, the latest paired first.
func (r *Registry) Devices() []Device {
	r.mu.Lock()
	defer r.mu.Unlock()
	list := make([]Device, 0, len(r.devices))
	for _, d := range r.devices {
		list = append(list, *d)
	}
	slices.SortFunc(list, func(a, b Device) int {
		if c := b.Paired.Compare(a.Paired); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return list
}

// Remove takes a device's access away, at once, even when the store fails; the
// error then says that it may be back after a restart.
func (r *Registry) Remove(ctx context.Context, id string) error {
	r.mu.Lock()
	d := r.devices[id]
	if d != nil {
		delete(r.devices, id)
		delete(r.byHash, [sha256.Size]byte(d.Hash))
	}
	r.mu.Unlock()
	if d == nil {
		return ErrDevice
	}
	if err := r.store.DeleteDevice(ctx, id); err != nil {
		return fmt.Errorf("removing %q from the disk, so that it may be back after a restart: %w", d.Name, err)
	}
	return nil
}

// cleanName makes what a device calls itself fit to be shown in a list.
func cleanName(s string) string {
	s = strings.Join(strings.Fields(strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(s, ""))), " ")
	if s == "" {
		return "A device"
	}
	return s
}
