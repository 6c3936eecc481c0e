package rig

// Face is the running real-time clock of a rig: whole Unix seconds, as a person or firmware reads them.
type Face struct {
	ppm     float64
	zero    int64 // instant at which it showed shown [ns]
	shown   int64 // [s]
	partial int64 // of a second already gone then [ns]
}

// NewFace returns the clock as it stands at the plan's begin, at an ambient temperature [K].
func NewFace(c Clock, ambient float64) Face {
	return Face{
		ppm:   turnoverError(c.PPM, c.Parabola, c.Turnover, ambient),
		shown: c.Start, partial: int64(c.Frac * 1e9),
	}
}

// At is the face at an instant [ns]: whole seconds.
func (f *Face) At(t int64) int64 {
	gone := f.partial + f.own(t-f.zero)
	second := gone / 1e9
	if gone%1e9 < 0 {
		second--
	}
	return f.shown + second
}

// own is how long a stretch of true time is by the clock's rate [ns].
func (f *Face) own(t int64) int64 { return t + int64(float64(t)*f.ppm*1e-6) }

// Rate is the time since the plan began by the clock's rate only, whatever it was set to [s].
func (f *Face) Rate(t int64) float64 { return (float64(t) + float64(t)*f.ppm*1e-6) * 1e-9 }

// Set makes the face show a second, from its begin, at an instant.
func (f *Face) Set(t, second int64) { f.zero, f.shown, f.partial = t, second, 0 }

// Move changes the face by whole seconds at an instant; the part of the second that is gone stays.
func (f *Face) Move(t, seconds int64) { f.shown += seconds }
