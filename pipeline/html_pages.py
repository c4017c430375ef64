"""Small self-contained pages: everything from data escaped, nothing fetched, no script run."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Mapping, Sequence

_STYLE = """
:root { --ink: #1c1c1c; --soft: #565656; --line: #d0d0d0; --accent: #00558c; --warn: #a33c00; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 0 1rem 3rem; max-width: 46rem; color: var(--ink);
  background: #fff; overflow-wrap: break-word; -webkit-text-size-adjust: 100%;
  font: 1rem/1.5 system-ui, -apple-system, "Segoe UI", Roboto, "Liberation Sans", Arial,
    sans-serif; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 1.25rem 0 .5rem; }
h2 { font-size: 1.25rem; line-height: 1.25; margin: 2.25rem 0 .5rem; padding-top: .6rem;
  border-top: 2px solid var(--accent); }
figcaption, .soft { color: var(--soft); font-size: .9rem; }
.invented { position: sticky; top: 0; z-index: 5; margin: 0 -1rem; padding: .4rem 1rem;
  background: #fff3e6; color: var(--warn); border-bottom: 2px solid var(--warn);
  font-size: .9rem; }
.caution { border: 1px solid var(--warn); border-left-width: 5px; padding: .1rem 1rem;
  margin: 1rem 0; }
figure { margin: 1rem 0; }
figure img { display: block; max-width: 100%; height: auto; }
.scroll { overflow-x: auto; }
.scroll:focus-visible { outline: 3px solid #e69f00; outline-offset: 2px; }
table { border-collapse: collapse; font-size: .9rem; line-height: 1.35; }
th, td { padding: .3rem .5rem; text-align: left; vertical-align: top;
  border-bottom: 1px solid var(--line); overflow-wrap: break-word; }
thead th { border-bottom: 2px solid var(--soft); vertical-align: bottom; }
.number { text-align: right; font-variant-numeric: tabular-nums; }
td.number, .tied { white-space: nowrap; }
.wide { min-width: 4.4rem; overflow-wrap: anywhere; }
:is(th, td):first-child { padding-left: 0; }
@media print { body { max-width: none; font-size: 10pt; } .invented { position: static; }
  figure, tr, .caution { break-inside: avoid; } .scroll { overflow: visible; } }
"""
_TIED = "\u00a0\u202f"  # blanks that must not break stay
_BLANKS = re.compile(" +")
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""Content security policy of every page: nothing fetched, no script run."""


def plain(value: object) -> str:
    """Write a value as one line of printable text; nothing for None.

    Examples
    --------
    >>> plain(" a\\n\\u202eb ")
    'a b'
    """
    text = "" if value is None else str(value)
    shown = (c if c.isprintable() or c in _TIED else " " for c in text)
    return _BLANKS.sub(" ", "".join(shown)).strip(" ")


def escape(value: object) -> str:
    """Write a value as text that no browser reads as markup.

    Examples
    --------
    >>> escape('<b title="x">')
    '&lt;b title=&quot;x&quot;&gt;'
    """
    return html.escape(plain(value), quote=True)


def paragraph(text: object, style: str = "", *, language: str = "") -> str:
    """Write one paragraph, of a style's class and in another language than the page when given."""
    mark = f' class="{style}"' if style else ""
    mark += f' lang="{escape(language)}"' if language else ""
    return f"<p{mark}>{escape(text)}</p>"


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    caption: str,
    numbers: frozenset[int] = frozenset(),
    tied: frozenset[int] = frozenset(),
    wide: frozenset[int] = frozenset(),
    language_of: Mapping[int, str] | None = None,
) -> str:
    """Write a table whose first column heads its rows.

    Parameters
    ----------
    headings : sequence of str
    rows : iterable of sequence
        Values; None is written as an en dash.
    caption : str
        Says what the table holds; also names the region that scrolls.
    numbers, tied, wide : frozenset of int
        Columns set to the right; of words that stay on one line; of text that may break anywhere.
    language_of : mapping of int to str, optional
        Columns whose cells are in another language than the page, by its code.
    """

    def mark(column: int) -> str:
        kinds = {"number": numbers, "tied": tied, "wide": wide}
        styles = " ".join(kind for kind, columns in kinds.items() if column in columns)
        return f' class="{styles}"' if styles else ""

    def spoken(column: int) -> str:
        code = (language_of or {}).get(column)
        return f' lang="{escape(code)}"' if code else ""

    head = "".join(f'<th scope="col"{mark(k)}>{escape(h)}</th>' for k, h in enumerate(headings))
    body = []
    for row in rows:
        first, *rest = ("–" if value is None else escape(value) for value in row)
        cells = "".join(f"<td{mark(k)}{spoken(k)}>{cell}</td>" for k, cell in enumerate(rest, 1))
        body.append(f'<tr><th scope="row"{mark(0)}>{first}</th>{cells}</tr>')
    return (
        f'{paragraph(caption, "soft")}<div class="scroll" role="region" tabindex="0" '
        f'aria-label="{escape(caption)}"><table aria-label="{escape(caption)}">'
        f"<thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def page(title: str, body: Iterable[str], *, language: str = "en", banner: str = "") -> str:
    """Put parts into a whole page.

    Parameters
    ----------
    title : str
        The page's heading and its name in the browser.
    body : iterable of str
        HTML, whatever in it comes from data escaped already.
    language : str
        Code of the language of its text.
    banner : str
        Stays in sight on top, when given: that the data are invented.
    """
    shown = f'<p class="invented" role="note"><strong>{escape(banner)}</strong></p>'
    return "\n".join(
        [
            "<!DOCTYPE html>",
            f'<html lang="{escape(language)}">',
            '<head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="robots" content="noindex"><link rel="icon" href="data:,">',
            f"<title>{escape(title)}</title><style>{_STYLE}</style></head>",
            f"<body><main>{shown if banner else ''}",
            f"<h1>{escape(title)}</h1>",
            *body,
            "</main></body></html>\n",
        ]
    )
