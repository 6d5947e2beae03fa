"""Whether a pack is as it was made: a SHA-256 over the file, kept in the file itself.

HTML and PDF end in a line that holds the hash of all before it. A workbook holds the hash of its
other parts among its properties, and its bytes follow from its parts, so any other byte is found.
The hash tells of damage and of careless changes. Whoever changes a file on purpose can make a new
hash: against that, keep the file or its hash where others cannot write.
"""

import hashlib
import io
import re
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

from dashboard.results import AssessmentError

_LINE = re.compile(rb"\n(?:<!-- |%)review pack, sha256 ([0-9a-f]{64})(?: -->)?\n\Z")
PROPERTIES = "docProps/custom.xml"
_PROPERTY = re.compile(r'name="pack sha256"[^>]*>\s*<vt:lpwstr>([0-9a-f]{64})<')
_PROPERTIES = (
    '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    '<Properties xmlns="http://schemas.openxmlformats.org/officeDocument/2006/custom-properties" '
    'xmlns:vt="http://schemas.openxmlformats.org/officeDocument/2006/docPropsVTypes">'
    '<property fmtid="{{D5CDD505-2E9C-101B-9397-08002B2CF9AE}}" pid="2" name="pack sha256">'
    "<vt:lpwstr>{}</vt:lpwstr></property></Properties>"
)
MOST_BYTES = 300_000_000


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check of a file came to: as it was made or not, and in words."""

    whole: bool
    words: str


def sealed_html(made: bytes) -> bytes:
    """The page with the line that holds its hash."""
    return made + f"\n<!-- review pack, sha256 {_hash(made)} -->\n".encode()


def sealed_pdf(made: bytes) -> bytes:
    """The document with the line that holds its hash: a comment behind its end."""
    return made + f"\n%review pack, sha256 {_hash(made)}\n".encode()


def sealed_workbook(parts: dict[str, bytes]) -> bytes:
    """A workbook of these parts, always the same bytes for the same parts."""
    return _zipped({**parts, PROPERTIES: _PROPERTIES.format(_hash_of_parts(parts)).encode()})


def check(path: Path) -> Checked:
    """Whether a file is as it was made.

    Raises:
        AssessmentError: it cannot be read, or is no pack.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise _no_pack(path)
        raw = path.read_bytes()
    except OSError as error:
        raise AssessmentError(
            f"{path} cannot be read ({error.strerror}): name a pack made by viscosity-spc review."
        ) from None
    if raw.startswith(b"PK"):
        return _workbook(path, raw)
    found = _LINE.search(raw)
    if found is not None:
        whole = found.group(1).decode() == _hash(raw[: found.start()])
        return _told(path, whole, found.group(1).decode())
    if any(words in raw for words in (b"review pack, sha256 ", b"ontents sha256")):
        return _told(path, False, "")  # ours, but its end is not as it was
    raise _no_pack(path)


def _workbook(path: Path, raw: bytes) -> Checked:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as held:
            if sum(one.file_size for one in held.infolist()) > MOST_BYTES:
                raise _no_pack(path)
            parts = {one.filename: held.read(one) for one in held.infolist()}
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError):
        # damaged; only a pack of ours names its hash
        if b'name="pack sha256"' in raw:
            return _told(path, False, "")
        raise _no_pack(path) from None
    found = _PROPERTY.search(parts.pop(PROPERTIES, b"").decode("utf-8", "replace"))
    if found is None:
        if b"pack sha256" in raw:
            return _told(path, False, "")
        raise _no_pack(path)
    said = found.group(1)
    whole = said == _hash_of_parts(parts) and raw == sealed_workbook(parts)
    return _told(path, whole, said)


def _told(path: Path, whole: bool, said: str) -> Checked:
    if whole:
        return Checked(
            True,
            f"{path.name} is as it was made (sha256 of the file {said}; its pages carry that of "
            "their contents).",
        )
    return Checked(
        False,
        f"{path.name} is not as it was made: at least one byte differs. Make the pack again, or "
        "ask for the file as it was sent.",
    )


def _no_pack(path: Path) -> AssessmentError:
    return AssessmentError(f"{path} is no review pack: name one made by viscosity-spc review.")


def _hash(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def _hash_of_parts(parts: dict[str, bytes]) -> str:
    """Over the names and bytes of all parts but the one that holds the hash."""
    whole = hashlib.sha256()
    for name in sorted(parts):
        if name != PROPERTIES:
            whole.update(f"{name}\n{len(parts[name])}\n".encode())
            whole.update(parts[name])
    return whole.hexdigest()


def _zipped(parts: dict[str, bytes]) -> bytes:
    """A zip that depends on its parts only: no times, no compression that may differ elsewhere."""
    raw = io.BytesIO()
    first = "[Content_Types].xml"  # where programs look for it
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_STORED) as made:
        for name in sorted(parts, key=lambda one: (one != first, one)):
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            made.writestr(entry, parts[name])
    return raw.getvalue()
