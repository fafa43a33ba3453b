package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
	"dewclaw/events/streamlog"
	"dewclaw/events/worklist"
)

// listBucket keeps beside the log of which day each daily list was made last.
const listBucket = "lists"

// listEvery is how often the daemon looks whether a list is due. It looks at the
// clock and sleeps for nothing: a machine that slept makes its list on waking.
const listEvery = 30 * time.Second

// dailyLists makes the lists of the config, each once a day at its time, until ctx
// ends. A list that could not be made is tried again.
func (d *daemon) dailyLists(ctx context.Context) error {
	for len(d.e.project.config.Lists) > 0 && ctx.Err() == nil {
		held, release, err := d.e.leases.hold(ctx, listsLease)
		if err == nil {
			err = d.listsOfDays(held)
			release()
		}
		if err != nil && ctx.Err() == nil {
			return err
		}
	}
	<-ctx.Done()
	return nil
}

// listsLease is the lease of the one of several daemons that makes the lists.
const listsLease = "lists"

func (d *daemon) listsOfDays(ctx context.Context) error {
	for {
		err := d.e.makeLists(ctx, func(madeList) {})
		if errors.Is(err, events.ErrCorrupt) {
			return err
		}
		if pause(ctx, listEvery) != nil {
			return nil
		}
	}
}

// A madeList is a daily list that was made.
type madeList struct {
	List string `json:"list"`
	File string `json:"file"`
	Rows int    `json:"rows"`
}

// makeLists makes each list whose time of today has come and that was not made
// today. What stands in the way of one is told by its health and does not keep
// the others back.
func (e *engine) makeLists(ctx context.Context, tell func(madeList)) error {
	e.listing.Lock()
	defer e.listing.Unlock()
	if len(e.project.config.Lists) == 0 {
		return nil
	}
	bucket, err := e.log.Bucket(ctx, listBucket)
	if err != nil {
		return err
	}
	var errs []error
	for i := range e.project.config.Lists {
		l := &e.project.config.Lists[i]
		made, err := e.makeList(ctx, bucket, l)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		e.health.say(l.Part(), err)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", l.Part(), err))
		}
		if made != nil {
			e.logger.Info("list made", "list", l.ID, "file", made.File, "rows", made.Rows)
			tell(*made)
		}
	}
	return errors.Join(errs...)
}

// makeList makes a list if it is due; nil if it is not.
func (e *engine) makeList(ctx context.Context, days *streamlog.Bucket, l *config.List) (*madeList, error) {
	farm := e.project.config.Farm(l.Farm)
	zone, err := time.LoadLocation(farm.Zone)
	if err != nil {
		return nil, fmt.Errorf("zone of farm %s: %w: %w", farm.ID, err, events.ErrInvalid)
	}
	now := e.now().In(zone)
	day := now.Format(time.DateOnly)
	if now.Before(time.Date(now.Year(), now.Month(), now.Day(), l.Hour, l.Minute, 0, 0, zone)) {
		return nil, nil
	}
	last, err := days.Get(ctx, l.ID)
	if err != nil && !errors.Is(err, events.ErrNotFound) {
		return nil, err
	}
	if string(last) == day || string(last) == now.AddDate(0, 0, 1).Format(time.DateOnly) {
		return nil, nil // made; the second: the clock was set back over midnight
	} // a later day than that is one of a clock that was wrong
	if lack := e.project.config.Lack(l, day); len(lack) > 0 {
		var kinds []string
		for _, k := range lack {
			kinds = append(kinds, string(k))
		}
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, What: "grant", Wanted: fmt.Sprintf("one of farm %s that lets recipient %s have %s on %s", l.Farm, l.Recipient, strings.Join(kinds, ", "), day),
			Got: "none in force", Hints: []string{"the list is not made until the farm consents again"},
		}
	}
	in, err := e.listInput(ctx, farm, "")
	if err != nil {
		return nil, err
	}
	made := worklist.Make(in, worklist.Options{For: worklist.Reader(l.For), Chute: l.Chute})
	var body bytes.Buffer
	if err := writeList(&body, made, l.Format, l.Paper); err != nil {
		return nil, err
	}
	sink, err := folder.OpenSink(folder.SinkOptions{Who: l.Part(), Dir: l.Folder})
	if err != nil {
		return nil, err
	}
	name := listFile(l, day)
	b := adapters.Batch{
		Name: name, Body: body.Bytes(), Rows: len(made.Rows), Feed: l.ID, Recipient: l.Recipient,
		First: events.Place{Position: in.Position}, Last: events.Place{Position: in.Position},
		Grant:   fmt.Sprintf("farm %s, recipient %s", l.Farm, l.Recipient),
		Extents: []adapters.Extent{{Farm: l.Farm, Kinds: config.ListKinds(), Fields: string(config.Identities)}},
	}
	err = sink.Send(ctx, &b)
	if there, rerr := os.ReadFile(filepath.Join(l.Folder, name)); errors.Is(err, events.ErrInvalid) && rerr == nil {
		b.Body = there // made before a crash, at another minute: it stays, and gets its manifest
		err = sink.Send(ctx, &b)
	}
	if err := errors.Join(err, sink.Close()); err != nil {
		return nil, err
	}
	return &madeList{l.ID, name, len(made.Rows)}, days.Put(ctx, l.ID, []byte(day))
}

// listFile is the name of the file of a list of a day.
func listFile(l *config.List, day string) string { return l.ID + "-" + day + "." + l.Format }

// isListFile reports whether name is one that the list has for a day, in any format.
func isListFile(l *config.List, name string) bool {
	rest, ok := strings.CutPrefix(name, l.ID+"-")
	day, format, dot := strings.Cut(rest, ".")
	_, err := time.Parse(time.DateOnly, day)
	return ok && dot && err == nil && slices.Contains(config.ListFormats, format)
}
