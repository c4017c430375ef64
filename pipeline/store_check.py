"""Soundness: whether the archive and the store still hold what was put into them."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.archive import Archive
from pipeline.contracts import load_contracts
from pipeline.errors import StoreError, StoreInUseError
from pipeline.journal import Journal, JournalLine
from pipeline.ledger import read_ledger
from pipeline.store import Store, rebuild_words
from pipeline.study import Study

QUICK_BYTES = 256_000_000
"""Archived bytes read by a quick check, the newest files first: those that a power cut hits.

A store up to this size is read whole, too.
"""


@dataclass(frozen=True, slots=True)
class Damage:
    """One thing that is not as it should be, and how to mend it."""

    problem: str
    mend: str


@dataclass(frozen=True, slots=True)
class Soundness:
    """What a check of archive and store found.

    Attributes
    ----------
    damages : tuple of Damage
    files : int
        Archived files that are listed.
    files_read : int
        Those whose content was compared; of the others only the size was.
    is_unreadable : bool
        The store is lost, damaged or in use, so that nothing in it can be shown.
    """

    damages: tuple[Damage, ...]
    files: int
    files_read: int
    is_unreadable: bool


def _archive_damages(
    study: Study, lines: list[JournalLine], limit: float
) -> tuple[list[Damage], int]:
    """Compare archived copies with what is known of them, the newest first."""
    archive = Archive(study.archive_path)
    damages, files_read, bytes_read = [], 0, 0
    for line in sorted(lines, key=lambda line: line.file_no, reverse=True):
        what = ""
        if not archive.has(line.file_sha256):
            what = "is gone"
        elif not archive.is_of_size(line.file_sha256, line.size_bytes):
            what = f"is not {line.size_bytes:,} bytes long any more"
        elif bytes_read + line.size_bytes <= limit:
            files_read, bytes_read = files_read + 1, bytes_read + line.size_bytes
            if not archive.is_unchanged(line.file_sha256):
                what = "has been changed"
        if what:
            damages.append(
                Damage(
                    f"The archived copy of {line.folder}/{line.name} {what}.",
                    "Put the file into the inbox again, as it was sent, and run: "
                    f"winterpool rebuild {study.path}.",
                )
            )
    return damages, files_read


def _rows_damages(store: Store) -> list[str]:
    """What does not agree between the rows and the ledger of files."""
    counted = " UNION ALL ".join(
        f'SELECT _file_no AS file_no, count(*) AS n FROM "{record}_rows" GROUP BY ALL'
        for record in load_contracts()
    )
    found = store.connection.execute(
        f"""
        WITH counted AS (SELECT file_no, sum(n) AS n FROM ({counted}) GROUP BY ALL),
        lines AS (SELECT file_sha256, count(DISTINCT (sheet, "row")) AS n FROM rejected_rows
                  GROUP BY ALL)
        SELECT coalesce(files.name, 'file ' || counted.file_no), CASE
            WHEN files.file_no IS NULL OR (files.status <> 'loaded' AND coalesce(counted.n, 0) > 0)
                THEN 'has ' || counted.n || ' rows but is not noted as loaded'
            WHEN coalesce(counted.n, 0) < rows_accepted
                THEN 'has ' || coalesce(counted.n, 0) || ' rows where ' || rows_accepted
                     || ' were accepted'
            WHEN files.status = 'loaded' AND coalesce(lines.n, 0) <> rows_rejected
                THEN 'has ' || coalesce(lines.n, 0) || ' rejected rows where ' || rows_rejected
                     || ' were rejected'
            WHEN rows_read <> rows_accepted + rows_rejected
                THEN 'had ' || rows_read || ' rows read, which is not the sum of '
                     || rows_accepted || ' accepted and ' || rows_rejected || ' rejected'
            END AS what
        FROM files FULL JOIN counted ON counted.file_no = files.file_no
        LEFT JOIN lines ON lines.file_sha256 = files.file_sha256
        WHERE what IS NOT NULL ORDER BY 1
        """
    ).fetchall()
    return [f"{name} {what}." for name, what in found]


def _read_all(store: Store) -> None:
    """Read every value, so that the checksum of every block is compared."""
    tables = store.connection.sql(
        "SELECT table_name FROM information_schema.tables WHERE table_type = 'BASE TABLE'"
    ).fetchall()
    for (name,) in tables:
        store.connection.sql(f'SELECT bit_xor(hash(t)) FROM "{name}" AS t').fetchall()


def _store_damages(study: Study, journal: Journal, *, reads_all: bool) -> tuple[list[Damage], bool]:
    """What is wrong with the store, and whether it cannot be read at all."""
    if not study.store_path.exists():
        if not study.archive_path.exists():
            return [], True
        gone = f"{study.store_path} is gone, but the archived files are there."
        return [Damage(gone, rebuild_words(study.store_path))], True
    try:
        with Store.open(study.store_path, read_only=True) as store:
            if reads_all or study.store_path.stat().st_size <= QUICK_BYTES:
                _read_all(store)
            mend = rebuild_words(study.store_path)
            damages = [Damage(f"{study.store_path}: {what}", mend) for what in _rows_damages(store)]
            known = {
                sha256
                for (sha256,) in store.connection.sql(
                    "SELECT file_sha256 FROM files WHERE status = 'loaded'"
                ).fetchall()
            }
    except StoreInUseError:
        raise
    except StoreError as error:
        return [Damage(error.problem, error.mend)], True
    lost = [
        line.name
        for line in journal.lines.values()
        if line.status == "loaded" and line.file_sha256 not in known
    ]
    if lost:
        shown = ", ".join(lost[:10]) + (" and others" if len(lost) > 10 else "")
        damages.append(
            Damage(
                f"{study.store_path} has lost what these archived files brought: {shown}.",
                f"Run: winterpool ingest {study.path}. They are read again from the archive.",
            )
        )
    return damages, False


def check_soundness(study: Study, *, reads_all: bool = False) -> Soundness:
    """Compare the archive with its digests and the store with its ledger.

    Parameters
    ----------
    study : Study
    reads_all : bool
        Read every archived file and every value of the store; otherwise sizes, counts of rows,
        the newest 256 MB of the archive, and the store if it is no larger than that.

    Returns
    -------
    Soundness
        Damage is told, never raised.

    Raises
    ------
    StoreInUseError
        Another program has the store open for writing.
    """
    journal = Journal(study.archive_path)
    lines = {line.entry.key: line for line in read_ledger(study.store_path)}
    lines |= {line.entry.key: line for line in journal.lines.values()}
    archived = [line for line in lines.values() if line.status == "loaded"]
    limit = float("inf") if reads_all else QUICK_BYTES
    damages, files_read = _archive_damages(study, archived, limit)
    if journal.damaged:
        mend = f"Run: winterpool ingest {study.path}. It writes the journal anew from the store."
        if not study.store_path.exists():
            mend = rebuild_words(study.store_path)
        number = "1 line" if journal.damaged == 1 else f"{journal.damaged} lines"
        damages.append(Damage(f"{number} of {journal.path} cannot be read.", mend))
    of_store, is_unreadable = _store_damages(study, journal, reads_all=reads_all)
    return Soundness((*damages, *of_store), len(archived), files_read, is_unreadable)
