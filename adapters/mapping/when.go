package mapping

import (
	"strconv"

	"dewclaw/events"
)

// when reads when the facts of the row occurred.
func (m *Mapper) when(o *occurred) {
	m.occ, m.dateRead, m.timeRead, m.day = events.Occurred{}, "", "", ""
	v := o.date
	if v == nil {
		v = o.at
	}
	if m.run.in.undated {
		if s, _, ok := m.text(v); ok && s == "" {
			return
		}
	}
	t, ok := m.moment(v, &m.dateRead)
	if ok && !t.zoned {
		m.day = m.here.day(days(t.year, t.month, t.day), &t).date
	}
	if o.time != nil && !m.clock(o.time, &t) {
		ok = false
	}
	if ok {
		m.settle(v, o.time, &t)
	}
	if o.pass != nil {
		r := m.eval(o.pass)
		m.pass, _ = strconv.Atoi(r.value.Number.String())
		if m.pass < 2 {
			m.pass = 0
		}
	}
}

// moment reads a date, or date and time in one.
func (m *Mapper) moment(v *value, read *string) (t moment, ok bool) {
	s, final, ok := m.text(v)
	*read = s
	if !ok {
		return t, false
	}
	if s == "" {
		m.refuse(v, "a date", "nothing")
		return t, false
	}
	l := v.layout
	if l == nil || final {
		l = isoDate
	}
	t, ok = l.parse(s, v.mark)
	if !ok || t.year == 0 || v.target.typ == events.DayField && t.clock && !t.zoned {
		m.refuse(v, m.wantedDate(l), l.looser(s, v.mark))
		return t, false
	}
	return t, true
}

// clock reads the time of day, which may be empty.
func (m *Mapper) clock(v *value, t *moment) bool {
	s, _, ok := m.text(v)
	m.timeRead = s
	if !ok || s == "" {
		return ok
	}
	l := v.layout
	if l == nil {
		m.refuse(v, "a layout", "none")
		return false
	}
	c, ok := l.parse(s, v.mark)
	if !ok || c.year != 0 {
		wanted := "a time of day that exists, as " + l.words()
		if l.special != "" {
			wanted = "a fraction of a day from 0 to 1"
		}
		m.refuse(v, wanted, l.looser(s, v.mark))
		return false
	}
	t.hour, t.minute, t.second, t.ms, t.clock, t.prec = c.hour, c.minute, c.second, c.ms, true, c.prec
	if l.text == "HH:mm" || l.text == "HH:mm:ss" {
		t.clockText = s
	}
	return true
}

// settle works out the moment and checks that it is not in the future. The
// reason names the time of day if that is where the mistake is.
func (m *Mapper) settle(date, clock *value, t *moment) {
	o, wanted := m.occur(t)
	if m.day == "" {
		m.day = o.Date
	}
	if wanted != "" {
		v, got := date, m.dateRead
		if clock != nil {
			v, got = clock, m.dateRead+" "+m.timeRead
		}
		m.refuse(v, wanted+" in "+m.here.name, quote(got))
		return
	}
	if m.future(t, &o) {
		got := m.dateRead
		if m.timeRead != "" {
			got += " " + m.timeRead
		}
		m.refuse(date, "a time not after "+events.FormatTime(m.run.job.Received)+", when it was received", quote(got)+", in the future")
		return
	}
	m.occ = o
}

// occur turns a moment into local time of the farm. wanted says what is wrong
// with it, "" if nothing is.
func (m *Mapper) occur(t *moment) (o events.Occurred, wanted string) {
	if t.zoned {
		m.toLocal(t)
	}
	d := m.here.day(days(t.year, t.month, t.day), t)
	o.Date, o.Precision = d.date, "date"
	if !t.clock {
		return o, ""
	}
	local := t.seconds()
	if t.zoned {
		o.Offset = offsetText(t.offset)
	} else if t.offset, o.Offset, wanted = m.here.offset(d, local, m.run.in.overlap); wanted != "" {
		return events.Occurred{}, wanted
	}
	o.Zone, o.Precision, o.Time = m.here.name, t.prec, t.clockText
	if o.Time == "" {
		o.Time = m.here.clock(t)
	}
	return o, ""
}

// toLocal turns a moment with an offset of its own into local time of the farm.
func (m *Mapper) toLocal(t *moment) {
	unix := t.seconds() - int64(t.offset)
	t.offset = m.here.at(unix)
	t.setSeconds(unix + int64(t.offset))
	t.iso, t.clockText = "", ""
}

// future reports whether the moment lies more than the clock of a device may be
// ahead after the original was received. A day is not in the future while it has
// begun anywhere in the zone.
func (m *Mapper) future(t *moment, o *events.Occurred) bool {
	if m.run.job.Received.IsZero() {
		return false
	}
	if !t.clock {
		return days(t.year, t.month, t.day)*86400-int64(m.here.at(m.run.latest)) > m.run.latest
	}
	return t.seconds()-int64(t.offset) > m.run.latest
}
