package forecast

import "unsafe"

// Size is how many bytes an engine takes.
func Size() int { return int(unsafe.Sizeof(Engine{})) }
