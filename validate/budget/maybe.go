package budget

import (
	"encoding/json"
	"math"
)

// Maybe is a number that may not be known: NaN or infinity, written to JSON as null.
type Maybe float64

// Known says that there is a number.
func (m Maybe) Known() bool { return finite(float64(m)) }

// MarshalJSON writes the number, or null.
func (m Maybe) MarshalJSON() ([]byte, error) {
	if !m.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(m))
}

// UnmarshalJSON reads a number, or null.
func (m *Maybe) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*m = Maybe(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(m))
}
