package loggers

import "time"

// calendar turns Unix seconds into date and time of day.
type calendar interface {
	// zone sets the user's zone [minutes east of UTC].
	zone(minutes int64)
	// put appends YYYY-MM-DD hh:mm:ss for a second on the clock's face.
	put(b []byte, unix int64) []byte
}

const dateAndTime = "2006-01-02 15:04:05"

// fixedZone shows the user's zone as it was set, summer and winter.
type fixedZone struct{ east int64 } // [s]

func (c *fixedZone) zone(minutes int64) { c.east = minutes * 60 }

// local is the time of the wall clock, as Go's UTC.
func (c *fixedZone) local(unix int64) time.Time { return time.Unix(unix+c.east, 0).UTC() }

func (c *fixedZone) put(b []byte, unix int64) []byte {
	return c.local(unix).AppendFormat(b, dateAndTime)
}
