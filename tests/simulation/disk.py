"""A disk that can be full, read-only, broken, slow, or gone in mid-write, below the real stores.

SQLite's own VFS is wrapped through its C interface (sqlite.org/vfs.html): the product's unmodified `sqlite3` writes
through it. The append log's system calls go through `LogOs`. What was written since the last sync of each file is
known, so that a power cut can lose any part of it, a torn write included; a kill loses none of it.
"""

import ctypes
import ctypes.util
import errno
import functools
import os
import shutil
import weakref
from pathlib import Path

FULL, IOERR_WRITE, IOERR_FSYNC, READONLY, IOERR = 13, 10 | (3 << 8), 10 | (4 << 8), 8, 10

_P = ctypes.c_void_p


class _Vfs(ctypes.Structure):
    _fields_ = [
        ("iVersion", ctypes.c_int), ("szOsFile", ctypes.c_int), ("mxPathname", ctypes.c_int), ("pNext", _P),
        ("zName", ctypes.c_char_p), ("pAppData", _P), ("xOpen", _P), ("xDelete", _P), ("xAccess", _P),
        ("xFullPathname", _P), ("xDlOpen", _P), ("xDlError", _P), ("xDlSym", _P), ("xDlClose", _P),
        ("xRandomness", _P), ("xSleep", _P), ("xCurrentTime", _P), ("xGetLastError", _P), ("xCurrentTimeInt64", _P),
        ("xSetSystemCall", _P), ("xGetSystemCall", _P), ("xNextSystemCall", _P),
    ]  # fmt: skip


# Names as pointers: SQLite keeps the one that it is given, and looks behind its end.
_OPEN = ctypes.CFUNCTYPE(ctypes.c_int, _P, _P, _P, ctypes.c_int, _P)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, _P, _P, ctypes.c_int)
_CLOSE = ctypes.CFUNCTYPE(ctypes.c_int, _P)
_WRITE = ctypes.CFUNCTYPE(ctypes.c_int, _P, _P, ctypes.c_int, ctypes.c_int64)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, _P, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, _P, ctypes.c_int)
_METHODS = _P * 19  # version, close, read, write, truncate, sync, ... (sqlite3.h, struct sqlite3_io_methods)


@functools.cache
def shim():
    """The wrapped VFS, once a process; SQLite's default from then on. It heeds folders that a `Disk` claims only."""
    return Shim()


class Shim:
    def __init__(self):
        name = ctypes.util.find_library("sqlite3") or "libsqlite3.so.0"
        lib = self.lib = ctypes.CDLL(name)
        lib.sqlite3_vfs_find.restype = _P
        lib.sqlite3_vfs_register.argtypes = [_P, ctypes.c_int]
        self.disks = weakref.WeakValueDictionary()  # folder: disk
        self.files = {}  # pFile: (disk, path, real methods)
        self.tables = {}  # real methods: ours
        base = _Vfs.from_address(lib.sqlite3_vfs_find(None))
        self.vfs = _Vfs.from_buffer_copy(base)
        self.real_open, self.real_delete = _OPEN(base.xOpen), _DELETE(base.xDelete)
        self.keep = [_OPEN(self._open), _DELETE(self._delete)]
        self.vfs.zName = b"simulated"
        self.vfs.xOpen, self.vfs.xDelete = (ctypes.cast(one, _P).value for one in self.keep)
        lib.sqlite3_vfs_register(ctypes.addressof(self.vfs), 1)

    def disk_of(self, path):
        return self.disks.get(path.rpartition("/")[0])

    def _open(self, vfs, name, file, flags, out):
        code = self.real_open(vfs, name, file, flags, out)
        slot = ctypes.cast(file, ctypes.POINTER(_P))
        if code == 0 and name and slot[0]:
            path = os.fsdecode(ctypes.string_at(name))
            disk = self.disk_of(path)
            if disk is not None:
                disk.track(path)
                real = slot[0]
                self.files[file] = (disk, path, self._table(real))
                slot[0] = ctypes.addressof(self.tables[real][0])
        return code

    def _table(self, real):
        if real not in self.tables:
            old = _METHODS.from_address(real)
            new = _METHODS.from_buffer_copy(old)
            kinds = {1: _CLOSE, 3: _WRITE, 4: _TRUNCATE, 5: _SYNC}
            true = {n: kind(old[n]) for n, kind in kinds.items()}
            mine = {
                1: _CLOSE(lambda f: (self.files.pop(f, None), true[1](f))[1]),
                3: _WRITE(lambda f, data, size, at: self._write(f, data, size, at, true[3])),
                4: _TRUNCATE(lambda f, size: self._truncate(f, size, true[4])),
                5: _SYNC(lambda f, flags: self._sync(f, flags, true[5])),
            }
            for n, one in mine.items():
                new[n] = ctypes.cast(one, _P).value
            self.tables[real] = (new, mine)
        return real

    def _write(self, file, data, size, at, true):
        disk, path, _ = self.files[file]
        code = disk.refuses("write")
        if code:
            return code
        code = true(file, data, size, at)
        if code == 0:
            disk.wrote(path, at, ctypes.string_at(data, size))
        return code

    def _truncate(self, file, size, true):
        disk, path, _ = self.files[file]
        code = disk.refuses("write")
        if code:
            return code
        disk.wrote(path, size, None)
        return true(file, size)

    def _sync(self, file, flags, true):
        disk, path, _ = self.files[file]
        code = disk.refuses("sync")
        if code:
            return code
        disk.synced(path)
        return 0  # memory needs none

    def _delete(self, vfs, name, sync):
        path = os.fsdecode(ctypes.string_at(name))
        disk = self.disk_of(path)
        if disk is not None:
            code = disk.refuses("write")
            if code:
                return code
            disk.gone(path)
        return self.real_delete(vfs, name, sync)


class Disk:
    """The files of one incarnation, in a folder of its own."""

    MODES = {  # noqa: RUF012
        "full": ({"write": FULL}, errno.ENOSPC), "readonly": ({"write": READONLY}, errno.EROFS),
        "io_error": ({"write": IOERR_WRITE}, errno.EIO), "fsync": ({"sync": IOERR_FSYNC}, errno.EIO),
        "dead": ({"write": IOERR_WRITE, "sync": IOERR_FSYNC}, errno.EIO),
    }  # fmt: skip

    def __init__(self, folder):
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.mode = ""
        self.dying = False
        self.die_in = None  # writes until the process is killed in one
        self.slow_s = 0.004
        self.bytes = self.syncs = 0
        self._inode, self._durable, self._pending = {}, {}, {}
        shim().disks[str(self.folder)] = self

    def refuses(self, what):
        """SQLite's code for what cannot be done now, or 0."""
        if self.dying:
            return IOERR
        if self.die_in is not None:
            self.die_in -= 1
            if self.die_in <= 0:
                self.dying = True
                return IOERR
        return self.MODES[self.mode][0].get(what, 0) if self.mode else 0

    def check(self, what):
        """The same as an error of the system."""
        if self.refuses(what):
            number = self.MODES[self.mode or "dead"][1]
            raise OSError(number, os.strerror(number))

    def track(self, path):
        try:
            inode = Path(path).stat().st_ino
        except OSError:
            return
        if self._inode.get(path) != inode:
            self._inode[path] = inode
            self._durable[path] = bytearray(Path(path).read_bytes())
            self._pending[path] = []

    def wrote(self, path, at, data):
        if path in self._pending:
            self._pending[path].append((at, data))
            self.bytes += len(data or b"")

    def synced(self, path):
        self.syncs += 1
        if path in self._pending:
            for at, data in self._pending[path]:
                _apply(self._durable[path], at, data)
            self._pending[path] = []

    def gone(self, path):
        for rows in (self._inode, self._durable, self._pending):
            rows.pop(path, None)

    def crash(self, folder, rng, *, power):
        """What is found after the process, or the computer, has died: a copy of the folder. Returns the new disk."""
        self.mode, self.dying = "dead", True
        new = Disk(folder)
        for path in sorted(self.folder.iterdir()):
            if path.name.endswith(("-shm", ".lock", ".reserve")) or path.is_dir():
                continue
            target = new.folder / path.name
            name = str(path)
            if power and self._inode.get(name) == path.stat().st_ino:
                image = bytearray(self._durable[name])
                for at, data in self._pending[name]:
                    chance = rng.random()
                    if chance < 0.4:
                        continue
                    if data is not None and chance < 0.6:
                        data = data[: rng.randrange(len(data) + 1)]  # torn
                    _apply(image, at, data)
                target.write_bytes(image)
                target.chmod(0o600)
            else:
                shutil.copy2(path, target)
        return new

    def discard(self):
        shutil.rmtree(self.folder, ignore_errors=True)


def _apply(image, at, data):
    if data is None:
        del image[at:]
        return
    if len(image) < at:
        image.extend(bytes(at - len(image)))
    image[at : at + len(data)] = data


class LogOs:
    """`os` for the append log."""

    def __init__(self):
        self._open = {}

    def __getattr__(self, name):
        return getattr(os, name)

    def open(self, path, flags, mode=0o777):
        disk = shim().disk_of(str(path))
        if disk is not None and disk.mode in ("readonly", "dead"):
            disk.check("write")
        number = os.open(path, flags, mode)
        if disk is not None:
            disk.track(str(path))
            self._open[number] = disk, str(path)
        return number

    def pwrite(self, number, data, at):
        if number in self._open:
            disk, path = self._open[number]
            disk.check("write")
            disk.wrote(path, at, bytes(data))
        return os.pwrite(number, data, at)

    def fsync(self, number):
        if number in self._open:
            disk, path = self._open[number]
            disk.check("sync")
            disk.synced(path)

    fdatasync = fsync

    def close(self, number):
        self._open.pop(number, None)
        os.close(number)
