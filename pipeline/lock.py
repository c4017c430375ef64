"""One writer at a time: a lock file that says who holds it and since when.

The operating system holds the lock, so it falls with the process that took it, however that
process ended; the text inside is there for people.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

from pipeline.errors import StoreInUseError

if sys.platform == "win32":
    import msvcrt

    _FAR_BYTE = 1 << 30  # a locked byte cannot be read, so lock one beyond the text

    def _try_lock(handle: IO[str]) -> bool:
        try:
            handle.seek(_FAR_BYTE)
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        handle.seek(0)
        return True

else:
    import fcntl

    def _try_lock(handle: IO[str]) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


def _command() -> str:
    """The command line's verb that this process carries out, where it has one."""
    verb = sys.argv[1] if len(sys.argv) > 1 else ""
    return f"winterpool {verb}" if verb.isalpha() else ""


def holder(path: Path) -> str:
    """Who holds the lock at ``path`` and since when, as far as is known."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        by = f", {said['command']}," if said.get("command") else ""
        return f"process {said['pid']}{by} since {said['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another program"


class Lock:
    """A lock on ``path``, held until ``release``; take it with ``Lock.take``."""

    def __init__(self, path: Path, handle: IO[str]) -> None:
        self.path = path
        self._handle = handle

    @classmethod
    def take(cls, path: Path) -> Lock:
        """Take the lock at once.

        Raises
        ------
        StoreInUseError
            Another process holds it.
        """
        while True:
            handle = path.open("a+", encoding="utf-8")
            if not _try_lock(handle):
                handle.close()
                raise StoreInUseError(
                    f"{path.parent} is in use by {holder(path)}.",
                    mend="Wait until that command has ended, or stop it, and try again.",
                )
            if path.exists() and os.path.samestat(os.fstat(handle.fileno()), path.stat()):
                break
            handle.close()  # its last holder removed the file in between
        handle.truncate(0)
        since = f"{datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC"
        said = {"pid": os.getpid(), "since": since, "command": _command()}
        handle.write(json.dumps(said))
        handle.flush()
        return cls(path, handle)

    @classmethod
    @contextmanager
    def held(cls, path: Path) -> Iterator[None]:
        """Hold the lock for a ``with`` block; raises as ``take`` does."""
        lock = cls.take(path)
        try:
            yield
        finally:
            lock.release()

    def release(self) -> None:
        """Give the lock back and remove its file."""
        if sys.platform == "win32":
            self._handle.close()  # an open file cannot be removed there
            self.path.unlink(missing_ok=True)
        else:
            self.path.unlink(missing_ok=True)
            self._handle.close()
