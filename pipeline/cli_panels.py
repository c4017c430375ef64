"""Headings under which ``winterpool --help`` lists the commands that come after a run."""

from __future__ import annotations

from typing import Final

ACT: Final = "What to do with the answer"
PROVE: Final = "Whether the answer holds, here and elsewhere"
MEND: Final = "When something is damaged"
