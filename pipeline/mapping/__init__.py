"""Mappings: members' own headings, units, dates and codes to the columns of contracts.

A mapping is a TOML file in the study's ``mappings`` folder, written once for each kind of
spreadsheet. Files that use a contract's own headings need none. This example takes a long log
whose rows are weighings or mite counts (everything in it is invented)::

    [[table]]
    files = "hive log *.csv"          # names of files, * and ? as usual; or a list of them
    delimiter = ";"                   # these four are detected when left out
    encoding = "windows-1252"
    decimal = ","
    skip_rows = 2                     # rows above the heading
    missing = ["-", "n/a"]            # cells that say that nothing was noted
    unused = ["Weather", "Remarks*"]  # headings left out on purpose; any other is an error

    [table.identity]                  # tags that were given to another colony later
    tag = "Tag"
    on = {from = "Day", format = "%d.%m.%Y"}
    file = "tags.csv"                 # columns tag, from_on, to_on, colony_id; or [[…period]] parts

    [[table.ignore]]
    where = {column = "What", in = ["honey", "painting"]}
    reason = "not about wintering"

    [[table.record]]
    record = "weighings"
    where = {column = "What", equals = "weight"}
    [table.record.columns]
    colony_id = {identity = true}
    weighed_on = {from = "Day", format = "%d.%m.%Y"}
    gross_kg = {from = "Figure", unit = "lb"}
    method = {from = "How", recode = {"hand" = "luggage scale", "platform" = "scale"}}

    [[table.record]]
    record = "mite_counts"
    where = [{column = "What", equals = "mites"}, {column = "Figure", is_empty = false}]
    [table.record.columns]
    colony_id = {identity = true}
    sampled_on = {from = "Day", format = "%d.%m.%Y"}
    method = {constant = "alcohol wash"}
    bees_sampled = {constant = 300}
    mites_counted = {from = "Figure", unit = "mites per 300 bees"}

**Tables.** A workbook needs one ``[[table]]`` a sheet (``sheet = "Weights*"``); sheets without one
are recognised by their headings. ``set_aside = "reason"`` instead of records leaves a whole sheet
or file out; its rows are still counted. A row may feed several records. Rows that no record takes
and nothing ignores are rejected as "not mapped".

**Conditions** (``where``, ``when``): ``{column, equals | in | not_in | matches | is_empty}``; of a
list all must hold. ``matches`` is a regular expression found anywhere in the cell.

**Columns** take exactly one source, and what else it needs:

=========================  ========================================================================
``from = "Heading"``       one source column; the bare text ``"Heading"`` means the same
``join = [...]``           columns put behind each other, with ``separator`` (a blank) between
``sum = [...]``            columns added up; empty cells count as nothing unless all are empty
``constant = ...``         the same value for every row
``identity = true``        the colony that had the row's tag on the row's day
``absent = "why"``         the source has nothing for it; the contract then judges the row
``unit = "lb"``            of the source; see ``units.yaml``. Also ``"lb oz"``, ``"ft in"``
``format = "%d/%m/%Y"``    of dates and moments; left out, ISO 8601
``time_zone = "..."``      of naive moments, or whose calendar day a moment belongs to: an IANA
                           name, or ``UTC-05:00`` for clocks that are never set
``repeated_hour = "..."``  ``first``, ``second`` or ``refuse`` (default): the autumn hour that
                           comes twice. An hour that clocks skip is always refused
``recode = {...}``         member's codes to allowed values; ``""`` is the empty cell, as a code
                           or as a value. A code that is not listed is a rejected row
``missing = [...]``        further cells that say that nothing was noted
``when = [...]``           only in rows that satisfy the conditions; elsewhere the cell is empty
``optional = true``        the heading may be absent from some files
=========================  ========================================================================

A unit, code, heading, column, record, key, date format or time zone that does not exist or does
not fit is a ``MappingError`` that names it.
"""

from __future__ import annotations

from pipeline.mapping.parsing import load_mappings, read_mapping
from pipeline.mapping.plan import ColumnPlan, RecordPlan, TablePlan
from pipeline.mapping.planning import plan_table, read_options
from pipeline.mapping.spec import Mapping

__all__ = [
    "ColumnPlan",
    "Mapping",
    "RecordPlan",
    "TablePlan",
    "load_mappings",
    "plan_table",
    "read_mapping",
    "read_options",
]
