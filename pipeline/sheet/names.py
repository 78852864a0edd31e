"""Which tape ids and sides may become names of folders and files, on any system the archive is ever copied to.

Sources: the naming rules of Windows file systems (reserved device names, < > : " / \\ | ? *, no trailing dot or space),
of FAT and of common shells, from memory; whatever one of them refuses is refused. "%" is refused since RFC 8493 wants
it escaped in manifests and bagit-python does not.
"""

from __future__ import annotations

import re
import unicodedata

from pipeline.sheet.cells import NotUnderstood
from pipeline.sheet.records import SheetCriteria

_DEVICES = re.compile(r"(CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|(COM|LPT)[0-9¹²³])\s*(\..*)?$", re.IGNORECASE | re.DOTALL)
_REFUSED = set('<>:"/\\|?*%')
_INVISIBLE = {"Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp"}
_ARCHIVE_PAGES = {"index.html", "summary.csv", "summary.json"}
_SPREADSHEET_NUMBER = re.compile(r"(\d+)[.,]0+$")
_SCIENTIFIC = re.compile(r"\d+([.,]\d+)?E\+\d+$", re.IGNORECASE)


def folded(name: str) -> str:
    """What Windows and macOS make of a name when they compare it: T1 and t1 are one folder there."""
    return unicodedata.normalize("NFC", name.casefold())


def check_name(text: str, criteria: SheetCriteria) -> str:
    """The name, safe on any system. Raises NotUnderstood with the slip."""
    if not text:
        raise NotUnderstood("empty", "every side needs a tape id and a side")
    if number := _SPREADSHEET_NUMBER.match(text):
        slip = f"did a spreadsheet make a number of the id? write {number[1]}, or a mark such as T{number[1]}"
        raise NotUnderstood(f"found {text!r}", slip)
    if _SCIENTIFIC.match(text):
        raise NotUnderstood(f"found {text!r}", "did a spreadsheet make a number of the id? format the column as text")
    _refuse_signs(text)
    if len(text) > criteria.longest_name_characters or len(text.encode()) > criteria.longest_name_bytes:
        raise NotUnderstood(
            f"expected at most {criteria.longest_name_characters} characters ({criteria.longest_name_bytes} bytes),"
            f" found {len(text)} ({len(text.encode())} bytes)",
            "is this the title? the id is a short mark, such as the one on the spine",
        )
    return text


def _refuse_signs(text: str) -> None:
    shown = text if len(text) <= 40 else text[:37] + "..."
    found = f"expected a name that is safe as a folder on any system, found {shown!r}"
    if any(unicodedata.category(sign) in _INVISIBLE for sign in text):
        raise NotUnderstood(found, "it holds invisible characters or a line break; type it again")
    if bad := sorted(_REFUSED & set(text)):
        raise NotUnderstood(found, f"leave out {' '.join(bad)}")
    if text.startswith((".", "-")):
        raise NotUnderstood(found, f"it must not begin with a {'dot' if text[0] == '.' else 'dash'}")
    if text.endswith((".", " ")):
        raise NotUnderstood(found, "it must not end with a dot or a space")
    if _DEVICES.match(text):
        raise NotUnderstood(found, "Windows keeps this name for a device; add a letter or a number")
    if folded(text) in _ARCHIVE_PAGES:
        raise NotUnderstood(found, "the archive's own page has this name")
