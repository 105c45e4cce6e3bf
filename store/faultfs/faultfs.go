// Package faultfs puts a disk that misbehaves on purpose under SQLite: one
// that counts what is written, fails when told to, runs full, tears writes,
// and forgets at a power cut what was not synced. It is for tests.
//
// Call New first, and give its Connector and SyncFile to store.Options. It
// works on the system's own files: between faults, everything is really there.
package faultfs

import (
	"database/sql/driver"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"unsafe"

	"modernc.org/libc"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Op is a kind of call to the disk.
type Op int

// The calls that can be made to fail.
const (
	Write Op = iota
	Sync
	Truncate
	Open
	ops
)

// Fault is how a call fails.
type Fault int

// The ways to fail.
const (
	IOError Fault = iota // an I/O error, nothing done
	Full                 // no space left, nothing done
	Torn                 // an I/O error after half of a write was done
)

// Stats counts calls since New or the last Reset.
type Stats struct {
	Writes, Syncs int64
	Bytes         int64 // written, as SQLite hands them over
	Faults        int64 // calls that were made to fail
}

// FS is one such disk.
type FS struct {
	name string

	mu    sync.Mutex
	stats Stats
	fail  [ops]*plan
	room  int64 // bytes that files may still grow by; negative: no limit
	lying bool
	files map[string]*image
	open  map[uintptr]*handle // by sqlite3_file
	table map[uintptr]uintptr // our method tables, by the original's
}

type plan struct {
	after, times int
	fault        Fault
}

// image is a file as the platter has it, and what was written since.
type image struct {
	exists  bool
	durable []byte
	since   []change
}

// change is a write, or a truncation to at if data is nil.
type change struct {
	at   int64
	data []byte
}

type handle struct {
	path    string
	methods *sqlite3.Tsqlite3_io_methods // the original's
}

var (
	serial atomic.Int64
	disks  sync.Map // *FS by the address of its sqlite3_vfs
)

// New makes a disk. There is no way to unmake it: SQLite keeps its name for as
// long as the process lives.
func New() (*FS, error) {
	tls := libc.NewTLS()
	defer tls.Close()
	base := sqlite3.Xsqlite3_vfs_find(tls, 0)
	if base == 0 {
		return nil, errors.New("faultfs: SQLite has no file system of its own")
	}
	f := &FS{
		name:  fmt.Sprintf("faultfs%d", serial.Add(1)),
		room:  -1,
		files: map[string]*image{},
		open:  map[uintptr]*handle{},
		table: map[uintptr]uintptr{},
	}
	own := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
	name, err := libc.CString(f.name)
	if own == 0 || err != nil {
		return nil, errors.New("faultfs: out of memory")
	}
	v := at[sqlite3.Tsqlite3_vfs](own)
	*v = *at[sqlite3.Tsqlite3_vfs](base)
	v.FpNext, v.FzName = 0, name
	v.FxOpen = pointer(openFile)
	v.FxDelete = pointer(deleteFile)
	disks.Store(own, f)
	if rc := sqlite3.Xsqlite3_vfs_register(tls, own, 0); rc != 0 {
		return nil, fmt.Errorf("faultfs: register: code %d", rc)
	}
	return f, nil
}

// Connector opens databases on this disk; see store.Options.
func (f *FS) Connector(dsn string) (driver.Connector, error) {
	sep := "?"
	for _, c := range dsn {
		if c == '?' {
			sep = "&"
		}
	}
	return sqlite.NewConnector(dsn + sep + "vfs=" + f.name)
}

// SyncFile syncs one file; see store.Options.
func (f *FS) SyncFile(path string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, bad := f.due(Sync); bad {
		return &os.PathError{Op: "sync", Path: path, Err: errors.New("injected I/O error")}
	}
	f.stats.Syncs++
	f.sync(path)
	return nil
}

// Fail lets the next after calls of op succeed, and then fails times of them;
// times 0: all until Heal.
func (f *FS) Fail(op Op, after, times int, fault Fault) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fail[op] = &plan{after, times, fault}
}

// Room lets files grow by n more bytes before the disk is full; negative: no
// limit.
func (f *FS) Room(n int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.room = n
}

// Lie makes syncs do nothing and report success, as some cheap disks do.
func (f *FS) Lie() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.lying = true
}

// Heal ends all faults.
func (f *FS) Heal() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fail, f.room, f.lying = [ops]*plan{}, -1, false
}

// Stats returns the counts so far.
func (f *FS) Stats() Stats {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.stats
}

// Reset sets the counts to zero.
func (f *FS) Reset() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.stats = Stats{}
}

// PowerCut writes into dir, for each file opened so far, what the platter
// could hold if the power failed now: all that was synced, and of what was
// written since any of its 512-byte sectors, at r's choice. The disk itself
// goes on.
func (f *FS) PowerCut(dir string, r *rand.Rand) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	// At times all, none or some of it made it.
	chance := []float64{0, 0.5, 0.9, 1}[r.IntN(4)]
	for path, img := range f.files {
		if !img.exists && len(img.since) == 0 {
			continue
		}
		body := append([]byte(nil), img.durable...)
		exists := img.exists
		for _, c := range img.since {
			if c.data == nil {
				if r.Float64() < chance {
					body = resize(body, c.at)
				}
				continue
			}
			for i := 0; i < len(c.data); i += 512 {
				if r.Float64() < chance {
					exists = true
					body = put(body, c.at+int64(i), c.data[i:min(i+512, len(c.data))])
				}
			}
		}
		if !exists {
			continue
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(path)), body, 0o600); err != nil {
			return err
		}
	}
	return nil
}

func resize(b []byte, n int64) []byte {
	if int64(len(b)) >= n {
		return b[:n]
	}
	return append(b, make([]byte, n-int64(len(b)))...)
}

func put(b []byte, at int64, data []byte) []byte {
	if end := at + int64(len(data)); int64(len(b)) < end {
		b = resize(b, end)
	}
	copy(b[at:], data)
	return b
}

// due tells whether a call must fail, and how. f.mu is held.
func (f *FS) due(op Op) (Fault, bool) {
	p := f.fail[op]
	if p == nil {
		return 0, false
	}
	if p.after > 0 {
		p.after--
		return 0, false
	}
	if p.times > 0 {
		if p.times--; p.times == 0 {
			f.fail[op] = nil
		}
	}
	f.stats.Faults++
	return p.fault, true
}

// sync moves what was written to the platter. f.mu is held.
func (f *FS) sync(path string) {
	img := f.files[path]
	if img == nil || f.lying {
		return
	}
	for _, c := range img.since {
		if c.data == nil {
			img.durable = resize(img.durable, c.at)
		} else {
			img.durable = put(img.durable, c.at, c.data)
		}
	}
	img.exists, img.since = true, nil
}

// From here on, what SQLite calls. The function types are those of its C
// interface (https://www.sqlite.org/c3ref/io_methods.html).

type (
	openFunc     = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32
	deleteFunc   = func(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32
	closeFunc    = func(tls *libc.TLS, file uintptr) int32
	writeFunc    = func(tls *libc.TLS, file, buf uintptr, n int32, off sqlite3.Tsqlite3_int64) int32
	truncateFunc = func(tls *libc.TLS, file uintptr, size sqlite3.Tsqlite3_int64) int32
)

// at gives the C object at an address.
func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// pointer gives the address that C code knows a top-level function by.
func pointer[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&struct{ f F }{f})) }

// function is the reverse of pointer.
func function[F any](p uintptr) F { return *(*F)(unsafe.Pointer(&struct{ p uintptr }{p})) }

const (
	okay      = 0
	errIO     = 10
	errFull   = 13
	errOpen   = 14
	mainFiles = sqlite3.SQLITE_OPEN_MAIN_DB | sqlite3.SQLITE_OPEN_WAL | sqlite3.SQLITE_OPEN_MAIN_JOURNAL
)

// handles finds the disk and the handle of an open file.
var handles sync.Map // *FS by sqlite3_file

func find(file uintptr) (*FS, *handle) {
	v, _ := handles.Load(file)
	f := v.(*FS)
	f.mu.Lock()
	defer f.mu.Unlock()
	return f, f.open[file]
}

func openFile(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32 {
	v, _ := disks.Load(vfs)
	f := v.(*FS)
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, bad := f.due(Open); bad {
		at[sqlite3.Tsqlite3_file](file).FpMethods = 0
		return errOpen
	}
	path := ""
	if name != 0 && flags&mainFiles != 0 {
		path = libc.GoString(name)
		if f.files[path] == nil {
			img := &image{}
			if body, err := os.ReadFile(path); err == nil {
				img.exists, img.durable = true, body
			}
			f.files[path] = img
		}
	}
	base := at[sqlite3.Tsqlite3_vfs](sqlite3.Xsqlite3_vfs_find(tls, 0))
	rc := function[openFunc](base.FxOpen)(tls, vfs, name, file, flags, out)
	methods := at[sqlite3.Tsqlite3_file](file).FpMethods
	if rc != okay || methods == 0 || path == "" {
		return rc
	}
	f.open[file] = &handle{path, at[sqlite3.Tsqlite3_io_methods](methods)}
	handles.Store(file, f)
	own := f.table[methods]
	if own == 0 {
		own = libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
		m := at[sqlite3.Tsqlite3_io_methods](own)
		*m = *at[sqlite3.Tsqlite3_io_methods](methods)
		m.FxClose, m.FxWrite = pointer(closeFile), pointer(writeFile)
		m.FxTruncate, m.FxSync = pointer(truncateFile), pointer(syncFile)
		f.table[methods] = own
	}
	at[sqlite3.Tsqlite3_file](file).FpMethods = own
	return rc
}

func deleteFile(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32 {
	v, _ := disks.Load(vfs)
	f := v.(*FS)
	base := at[sqlite3.Tsqlite3_vfs](sqlite3.Xsqlite3_vfs_find(tls, 0))
	rc := function[deleteFunc](base.FxDelete)(tls, vfs, name, syncDir)
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.files, libc.GoString(name))
	return rc
}

func closeFile(tls *libc.TLS, file uintptr) int32 {
	f, h := find(file)
	rc := function[closeFunc](h.methods.FxClose)(tls, file)
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.open, file)
	handles.Delete(file)
	return rc
}

func writeFile(tls *libc.TLS, file, buf uintptr, n int32, off sqlite3.Tsqlite3_int64) int32 {
	f, h := find(file)
	f.mu.Lock()
	defer f.mu.Unlock()
	fault, bad := f.due(Write)
	if f.room >= 0 && !bad {
		if info, err := os.Stat(h.path); err == nil {
			if grow := int64(off) + int64(n) - info.Size(); grow > f.room {
				f.stats.Faults++
				fault, bad = Full, true
			} else if grow > 0 {
				f.room -= grow
			}
		}
	}
	if bad && fault == Torn {
		f.record(tls, h, file, buf, n/2, off)
	}
	if bad {
		return map[Fault]int32{IOError: errIO, Full: errFull, Torn: errIO}[fault]
	}
	return f.record(tls, h, file, buf, n, off)
}

func (f *FS) record(tls *libc.TLS, h *handle, file, buf uintptr, n int32, off sqlite3.Tsqlite3_int64) int32 {
	rc := function[writeFunc](h.methods.FxWrite)(tls, file, buf, n, off)
	if rc != okay {
		return rc
	}
	f.stats.Writes++
	f.stats.Bytes += int64(n)
	if img := f.files[h.path]; img != nil {
		data := append([]byte{}, unsafe.Slice(at[byte](buf), n)...)
		img.since = append(img.since, change{int64(off), data})
	}
	return rc
}

func truncateFile(tls *libc.TLS, file uintptr, size sqlite3.Tsqlite3_int64) int32 {
	f, h := find(file)
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, bad := f.due(Truncate); bad {
		return errIO
	}
	rc := function[truncateFunc](h.methods.FxTruncate)(tls, file, size)
	if img := f.files[h.path]; rc == okay && img != nil {
		img.since = append(img.since, change{int64(size), nil})
	}
	return rc
}

func syncFile(tls *libc.TLS, file uintptr, flags int32) int32 {
	f, h := find(file)
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, bad := f.due(Sync); bad {
		return errIO
	}
	f.stats.Syncs++
	// The system's own sync is left out: nothing here depends on it.
	f.sync(h.path)
	return okay
}
