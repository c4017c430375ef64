"""Bytes of a text file to UTF-8 bytes cut at line ends, whatever they were written in."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator

from pipeline.errors import ReadError

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_ESCAPES = rb"\n\u0041"
_LONGEST_LINE = 64 << 20


def utf8_lines(blocks: Iterator[bytes], name: str, encoding: str | None) -> Iterator[bytes]:
    r"""Yield UTF-8 bytes that end in a line end, ``\n``, save perhaps the last.

    Parameters
    ----------
    blocks : iterator of bytes
        The file's bytes.
    name : str
        The file's name, for messages.
    encoding : str or None
        The encoding; None detects it: a byte order mark decides, else the first bytes that are
        not plain ASCII decide between UTF-8 and Windows-1252 for the whole file.

    Raises
    ------
    ReadError
        The encoding has no such name, or bytes cannot be read in it, or the file is not text.
    """
    encoding = _plain_encoding(encoding, name) if encoding else None
    first = next(blocks, b"")
    for bom, bom_encoding in _BOMS:
        if first.startswith(bom):
            first, encoding = first[len(bom) :], bom_encoding
            break
    decode = _decoder(name, encoding)
    # Old files end lines in a carriage return alone.
    is_cr = b"\n" not in first and b"\r" in first and not (encoding or "").startswith("utf-16")
    rest = b""
    for block in _chain(first, blocks):
        text = rest + (decode(block) if encoding and encoding.startswith("utf-16") else block)
        if is_cr:
            text = text.replace(b"\r", b"\n")
        cut = text.rfind(b"\n") + 1
        rest = text[cut:]
        if len(rest) > _LONGEST_LINE:
            raise ReadError(f"{name} has a line without end.", mend="Check that it is a table.")
        if cut:
            yield _checked(text[:cut], name, decode, encoding)
    if encoding and encoding.startswith("utf-16"):
        decode(b"")  # half a character at the end
    if rest:
        yield _checked(rest, name, decode, encoding)


def _chain(first: bytes, blocks: Iterator[bytes]) -> Iterator[bytes]:
    if first:
        yield first
    yield from blocks


def _checked(
    text: bytes, name: str, decode: Callable[[bytes], bytes], encoding: str | None
) -> bytes:
    if not (encoding and encoding.startswith("utf-16")):
        text = decode(text)
    if b"\0" in text:
        raise ReadError(
            f"{name} holds bytes that are no text (NUL).",
            mend="Save it as UTF-8 text, or set its encoding in a mapping.",
        )
    return text


def _plain_encoding(encoding: str, name: str) -> str:
    """Return an encoding's own name; refuse one whose plain letters are not those of ASCII."""
    letters = bytes(range(1, 128))
    try:
        known = codecs.lookup(encoding).name
        if known in ("utf-16", "utf-16-le", "utf-16-be"):
            return known
        is_plain = _ESCAPES.decode(known) == _ESCAPES.decode("ascii")
        if is_plain and letters.decode(known) == letters.decode("ascii"):
            return known
    except (LookupError, ValueError):
        pass
    raise ReadError(
        f"There is no encoding called {encoding[:40]!r} for tables ({name}).",
        mend="Set encoding to utf-8, windows-1252, latin-1 or utf-16.",
    )


def _decoder(name: str, encoding: str | None) -> Callable[[bytes], bytes]:
    """Return a function to UTF-8; without an encoding it settles on one when it has to."""
    if encoding and encoding.startswith("utf-16"):
        stream = codecs.getincrementaldecoder(encoding)()

        def decode_stream(block: bytes) -> bytes:
            try:
                return stream.decode(block, final=not block).encode()
            except UnicodeError:
                raise _undecodable(name, encoding) from None

        return decode_stream
    settled = encoding

    def decode(block: bytes) -> bytes:
        nonlocal settled
        if block.isascii():
            return block
        if settled is None:
            settled = "utf-8" if _is_utf8(block) else "windows-1252"
        try:
            return block.decode(settled).encode()
        except UnicodeError:
            raise _undecodable(name, settled) from None

    return decode


def _is_utf8(block: bytes) -> bool:
    try:
        block.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _undecodable(name: str, encoding: str) -> ReadError:
    return ReadError(
        f"{name} cannot be read as {encoding} text.",
        mend="Save it as UTF-8, or set its encoding in a mapping.",
    )
