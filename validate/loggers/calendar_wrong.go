package loggers

import "time"

// summerTime shows local time with summer time, as localtime() does on a controller whose zone was set: one hour of the log
// repeats each autumn, one is missing each spring. Rules: common practice; east of Greenwich from the last Sunday of March,
// 01:00 UTC, to the last Sunday of October, 01:00 UTC; west of it from the second Sunday of March to the first Sunday of
// November, 02:00 local.
type summerTime struct {
	fixedZone
	started bool
}

func (c *summerTime) put(b []byte, unix int64) []byte {
	if !c.started {
		// The zone that was set held on the day when it was set.
		c.started = true
		if c.summer(unix) {
			c.east -= 3600
		}
	}
	if c.summer(unix) {
		unix += 3600
	}
	return c.fixedZone.put(b, unix)
}

// summer says whether summer time holds.
func (c *summerTime) summer(unix int64) bool {
	year := c.local(unix).Year()
	var from, to int64
	if c.east >= 0 {
		from, to = sunday(year, time.April, 0)+3600, sunday(year, time.November, 0)+3600
	} else {
		from, to = sunday(year, time.March, 2)+7200-c.east, sunday(year, time.November, 1)+3600-c.east
	}
	return unix >= from && unix < to
}

// sunday is the n-th Sunday of a month, 0 the last Sunday of the month before [Unix s, 00:00 UTC].
func sunday(year int, month time.Month, n int) int64 {
	first := time.Date(year, month, 1, 0, 0, 0, 0, time.UTC)
	day := (7 - int(first.Weekday())) % 7
	return first.AddDate(0, 0, day+(n-1)*7).Unix()
}

// ownDays counts days itself from the date at power-up, with its own table of month lengths and no leap years.
type ownDays struct {
	fixedZone
	lengths          [12]int
	year, month, day int // of today; month from 1
	today            int64
	started          bool
}

// februaryIs28 is the table as everybody knows it, without its footnote.
func februaryIs28() [12]int {
	return [12]int{31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}
}

// alternating is the table as one remembers it on one's knuckles with a hand too few.
func alternating() [12]int {
	return [12]int{31, 28, 31, 30, 31, 30, 31, 30, 31, 30, 31, 30}
}

func (c *ownDays) put(b []byte, unix int64) []byte {
	t := c.local(unix)
	now := dayOf(t.Unix())
	if !c.started || now < c.today {
		c.year, c.month, c.day, c.today, c.started = t.Year(), int(t.Month()), t.Day(), now, true
	}
	for ; c.today < now; c.today++ {
		if c.day++; c.day > c.lengths[c.month-1] {
			c.day = 1
			if c.month++; c.month > 12 {
				c.month = 1
				c.year++
			}
		}
	}
	b = padded(b, int64(c.year), 4)
	b = padded(append(b, '-'), int64(c.month), 2)
	b = padded(append(b, '-'), int64(c.day), 2)
	return t.AppendFormat(b, " 15:04:05")
}

// monthFromZero prints struct tm's month as it stands: January is 00.
type monthFromZero struct{ fixedZone }

func (c *monthFromZero) put(b []byte, unix int64) []byte {
	t := c.local(unix)
	b = padded(b, int64(t.Year()), 4)
	b = padded(append(b, '-'), int64(t.Month())-1, 2)
	return t.AppendFormat(b, "-02 15:04:05")
}

// weekYear prints the year that the week belongs to (%G where %Y was meant): next year's in the last days of December.
type weekYear struct{ fixedZone }

func (c *weekYear) put(b []byte, unix int64) []byte {
	t := c.local(unix)
	year, _ := t.ISOWeek()
	return t.AppendFormat(padded(b, int64(year), 4), "-01-02 15:04:05")
}

// int32Epoch keeps Unix seconds in 32 bits: after 2038-01-19 03:14:07 UTC comes December 1901.
type int32Epoch struct{ fixedZone }

func (c *int32Epoch) put(b []byte, unix int64) []byte { return c.fixedZone.put(b, int64(int32(unix))) }

// dayOf numbers the days of seconds since 1970, earlier ones negative.
func dayOf(seconds int64) int64 {
	day := seconds / 86400
	if seconds%86400 < 0 {
		day--
	}
	return day
}
