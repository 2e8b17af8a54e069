package pairing

import (
	"context"
	"maps"
	"slices"
	"sync"
)

// Memory is a Store that forgets at the end: for the demo and for tests.
type Memory struct {
	mu      sync.Mutex
	devices map[string]Device
}

var _ Store = (*Memory)(nil)

// LoadDevices returns what is kept.
func (m *Memory) LoadDevices(context.Context) ([]Device, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Collect(maps.Values(m.devices)), nil
}

// SaveDevice keeps d.
func (m *Memory) SaveDevice(_ context.Context, d Device) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.devices == nil {
		m.devices = make(map[string]Device)
	}
	m.devices[d.ID] = d
	return nil
}

// DeleteDevice forgets a device.
func (m *Memory) DeleteDevice(_ context.Context, id string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.devices, id)
	return nil
}
