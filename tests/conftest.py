"""What holds for every test."""

from __future__ import annotations

import signal

from hypothesis import settings

# speed is measured in benchmarks: a busy machine fails no test
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# a shell's background job starts deaf to Ctrl-C, and so would every command that tests stop
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
