package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lampward/cmd/lampward/config"
	"lampward/cmd/lampward/page"
	"lampward/notify"
	"lampward/notify/link"
	"lampward/rules"
	"lampward/rules/learn"
	"lampward/store"
)

// levelsFile holds the levels that were set by hand on the page, by lamp. What
// the configuration file sets comes first.
const levelsFile = "levels.json"

func readLevels(dir string) (map[string]learn.Levels, error) {
	out := map[string]learn.Levels{}
	file := filepath.Join(dir, levelsFile)
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return nil, fmt.Errorf("%s is a file; name a folder that lampward may write", dir)
	}
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return out, nil
	}
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err == nil && out == nil {
		err = errors.New("it holds null")
	}
	if err != nil {
		return nil, fmt.Errorf("levels set by hand: %s: %w; mend the file, or delete it to have all levels learned", file, err)
	}
	return out, nil
}

// withLevels returns a configuration with the levels that were set by hand. A
// lamp they no longer fit is learned. cfg stays as it was read, for after a reload
// it may be used again, with other levels.
func withLevels(cfg *config.Config) (*config.Config, error) {
	levels, err := readLevels(cfg.Store.Dir)
	if err != nil {
		return nil, err
	}
	with := *cfg
	cfg = &with
	cfg.Rules.Lamps = slices.Clone(cfg.Rules.Lamps)
	for i := range cfg.Rules.Lamps {
		l := &cfg.Rules.Lamps[i]
		v, ok := levels[l.Name]
		if !ok || l.Learn.Manual.IsSet() {
			continue
		}
		c := l.Learn
		if c.Manual = v; c.Check() == nil {
			l.Learn = c
		}
	}
	return cfg, nil
}

// dropLevels gives up the levels of lamps that are not in the configuration any more, as
// the rules forget what was learned of them: a lamp by that name that is there months
// later may have another sensor.
func dropLevels(cfg *config.Config, log *slog.Logger) {
	levels, err := readLevels(cfg.Store.Dir)
	if err != nil {
		return // a start has read them
	}
	before := len(levels)
	maps.DeleteFunc(levels, func(name string, _ learn.Levels) bool {
		gone := !slices.ContainsFunc(cfg.Rules.Lamps, func(l rules.LampConfig) bool { return l.Name == name })
		if gone {
			log.Info("the levels of a lamp that were set by hand are given up, for it is not in the configuration any more", "lamp", name)
		}
		return gone
	})
	if len(levels) == before {
		return
	}
	if err := writeLevels(cfg.Store.Dir, levels); err != nil {
		log.Warn("the levels of lamps that are not in the configuration any more could not be given up; the next start tries again", "error", err)
	}
}

func writeLevels(dir string, levels map[string]learn.Levels) error {
	b, err := json.MarshalIndent(levels, "", "  ")
	if err != nil {
		return err
	}
	return store.WriteFile(filepath.Join(dir, levelsFile), bytes.NewReader(append(b, '\n')), true)
}

// setLevels sets the levels of a lamp by hand, or has them learned again: as a new
// configuration for this run, and in the file for the next start.
func (p *pageSource) setLevels(ctx context.Context, a page.Action) (string, error) {
	if err := p.turn(ctx); err != nil {
		return "", err
	}
	mine := true // to give back
	defer func() {
		if mine {
			<-p.levels
		}
	}()
	levels, err := readLevels(p.d.cfg.Store.Dir)
	if err != nil {
		return "", err
	}
	var cfg rules.Config
	if err := p.look(ctx, func(m *rules.Machine) { cfg = m.Config() }); err != nil {
		return "", err
	}
	cfg.Lamps = slices.Clone(cfg.Lamps)
	i := slices.IndexFunc(cfg.Lamps, func(l rules.LampConfig) bool { return l.Name == a.Lamp })
	if i < 0 {
		return "", missing("There is no lamp %q.", a.Lamp)
	}
	l := &cfg.Lamps[i].Learn
	if _, own := levels[a.Lamp]; l.Manual.IsSet() && !own {
		return "", refusal("The levels of %s are set in the configuration file; change or remove on_above and off_below there.", a.Lamp)
	}
	said := fmt.Sprintf("%s: the levels are learned.", a.Lamp)
	if l.Manual = (learn.Levels{}); a.Verb == page.Levels {
		l.Manual = learn.Levels{OnAbove: a.OnAbove, OffBelow: a.OffBelow}
		if err := l.Check(); err != nil {
			return "", refusal("These levels cannot be: %s", err)
		}
		if !l.Manual.IsSet() {
			return "", refusal("Two levels of 0 cannot be told from none.")
		}
		levels[a.Lamp] = l.Manual
		said = fmt.Sprintf("%s: lit from %v, dark from %v counts.", a.Lamp, a.OnAbove, a.OffBelow)
	} else {
		delete(levels, a.Lamp)
	}
	// Once the loop has it, it is done: who no longer waits for it changes nothing.
	mine = false
	err = p.act(ctx, rules.Input{Kind: rules.InConfig, Config: &cfg, By: a.By}, func(err error) error {
		defer func() { <-p.levels }()
		if err != nil {
			return err
		}
		p.d.tell(a.Lamp)
		if err := writeLevels(p.d.cfg.Store.Dir, levels); err != nil {
			return fmt.Errorf("the levels were changed, but only until the next start, for they cannot be kept: %w", err)
		}
		return nil
	})
	if err != nil {
		return "", err
	}
	return said, nil
}

// turn waits until nobody else changes levels, on a disk that hangs not without end.
// Who got it takes the token from p.levels in the end.
func (p *pageSource) turn(ctx context.Context) error {
	p.once.Do(func() { p.levels = make(chan struct{}, 1) })
	t := time.NewTimer(lookWait)
	defer t.Stop()
	select {
	case p.levels <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return fmt.Errorf("nothing was changed, for lampward does not answer: %s", p.busy())
	}
}

// tell lets those who watch know that a lamp changed for another reason than
// an input of its own.
func (d *daemon) tell(lamp string) {
	if d.tap != nil {
		d.tap(rules.Input{Lamp: lamp}, nil)
	}
}

// linkKeyFile holds the key that signs the links in messages.
const linkKeyFile = "link-key"

// linkKey reads the key, or makes it at the first start, and in the place of one
// that is damaged: it is better that links die than that no lamp is watched.
func linkKey(dir string, log *slog.Logger) ([]byte, error) {
	file := filepath.Join(dir, linkKeyFile)
	b, err := os.ReadFile(file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("key of the links in messages: %w", err)
	}
	k, bad := hex.DecodeString(strings.TrimSpace(string(b)))
	if bad == nil && len(k) >= link.MinKey {
		return k, nil
	}
	if err == nil {
		log.Error("the key of the links in messages is damaged; a new one is made, and the links sent so far work no more", "file", file)
	}
	k = make([]byte, link.MinKey)
	if _, err := rand.Read(k); err != nil {
		return nil, err
	}
	return k, store.WriteFile(file, strings.NewReader(hex.EncodeToString(k)+"\n"), true)
}

// alertLinks gives the links of an alert, for routes. It is nil if the
// configuration names no address of the page that a phone could open. They
// expire a while after the attempt, not the event, which may be long ago when a
// dead service works again; in steps, so that attempts soon after each other
// send the same. By engine time, for a board computer without a clock battery sends
// its first alerts before it knows what day it is.
func alertLinks(cfg *config.Config, key []byte, c clock) func(rules.Delivery) notify.Links {
	if cfg.Page.URL == "" || cfg.Page.Listen == "" {
		return nil
	}
	return func(d rules.Delivery) notify.Links {
		about := d.Event.Key()
		if about == "" {
			return notify.Links{}
		}
		make := func(action string, shelf time.Duration) string {
			t, err := link.Make(key, link.Claims{Action: action, About: about, Event: d.EventID, For: shelf, Expires: c.Now().Truncate(linkStep).Add(linkStep + linkLife)})
			if err != nil {
				return "" // an alert without a link is better than none
			}
			return cfg.Page.URL + "/link?t=" + t
		}
		return notify.Links{Ack: make(link.Ack, 0), Shelve: make(link.Shelve, linkShelf)}
	}
}

// verifyLink tells what the token of a link stands for, and refuses one that has run
// out.
func verifyLink(key []byte, token string, c clock) (link.Claims, error) {
	now := c.Now()
	claims, err := link.Verify(key, token, now)
	if err == nil && claims.Expires.Sub(now) > linkStep+linkLife { // made when links ran out by wall time
		return link.Claims{}, link.ErrExpired
	}
	return claims, err
}

const (
	linkLife  = 7 * 24 * time.Hour // for which a link in a message works at least
	linkStep  = 84 * time.Hour     // by which it may be more
	linkShelf = 8 * time.Hour      // for which a shelve link shelves
)
