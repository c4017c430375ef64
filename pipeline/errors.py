"""The one tree of errors a user can cause.

Each error says in plain words what went wrong and where (``problem``) and how to
mend it (``mend``). The command line prints both and ends with the class's exit
code; any other exception is a bug of ours.
"""

from __future__ import annotations


class WinterpoolError(Exception):
    """Something a user can mend.

    Parameters
    ----------
    problem : str
        What is wrong and where: file, sheet, row, column, value.
    mend : str
        One imperative sentence.
    """

    exit_code = 1

    def __init__(self, problem: str, *, mend: str) -> None:
        super().__init__(problem)
        self.problem = problem
        self.mend = mend

    def __str__(self) -> str:
        return f"{self.problem} {self.mend}"


class RejectedRows(WinterpoolError):
    """A check found rows that ingest would reject."""

    exit_code = 1


class StudyError(WinterpoolError):
    """The study folder or its settings cannot be used."""

    exit_code = 3


class ReadError(WinterpoolError):
    """A file cannot be read as what it claims to be."""

    exit_code = 4


class ContractError(WinterpoolError):
    """A file's headings or a contract do not fit together."""

    exit_code = 5


class MappingError(WinterpoolError):
    """A mapping file is wrong or does not fit the file it maps."""

    exit_code = 6


class StoreError(WinterpoolError):
    """The store is locked, damaged, or cannot be written."""

    exit_code = 7


class StoreInUseError(StoreError):
    """Another command or program is at work on the study."""


class DiskFullError(StoreError):
    """There is no room on the disk; what was there is as it was."""


class PhysicsDomainError(WinterpoolError):
    """A physical quantity is outside the range its formula holds for."""

    exit_code = 8


class ModelError(WinterpoolError):
    """The model cannot be built from these records."""

    exit_code = 9


class NotConvergedError(ModelError):
    """Sampling did not pass the gates within its budget."""

    exit_code = 10


class RenderError(WinterpoolError):
    """The report could not be rendered."""

    exit_code = 11
