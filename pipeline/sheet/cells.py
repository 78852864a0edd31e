"""What one cell of the sheet may say. Each function returns its meaning or raises `NotUnderstood` with the slip.

>>> read_number("436,2")
436.2
>>> read_tape_type("Type II").value
'II'
>>> [(note.counter, note.text) for note in read_index("000 intro; 123 second song")]
[('000', 'intro'), ('123', 'second song')]
"""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import date

from pipeline.sheet.records import IndexNote, SheetCriteria, TapeType

EDGES = " \t\r\n\u00a0\u2007\u202f\u3000\ufeff"
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(E[+-]?\d{1,3})?", re.ASCII | re.IGNORECASE)
_GROUPED = re.compile(r"\d{1,2}[ ']\d{3}(?!\d)", re.ASCII)  # 3 150
_FORMULA_ERROR = re.compile(r"#{3,}$|#(REF|DIV/0|NAME|VALUE|N/A|NUM|NULL|SPILL|CALC)[!?]?$|Err:\d+$", re.IGNORECASE)
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffd]")
_TRADE_WORDS = {
    "I": ("ferric", "fe", "normal", "iron", "standard", "lh", "ln"),
    "II": ("chrome", "cr", "cro2", "chromium", "cobalt", "high", "hibias"),
    "III": ("fecr", "ferrochrome", "ferrichrome"),
    "IV": ("metal", "me"),
}


class NotUnderstood(ValueError):
    """A cell that cannot be used: what was expected and found, and the likely slip."""

    def __init__(self, what: str, slip: str = "") -> None:
        super().__init__(what, slip)
        self.what, self.slip = what, slip


def clean_text(text: str) -> str:
    """A text without the blanks around it, and without the ' a spreadsheet puts before = + - @."""
    text = text.strip(EDGES)
    return text[1:] if re.match(r"'[=+\-@]", text) else text


def clean_mark(text: str) -> str:
    """The same for ids, names and numbers: any leading ' goes, odd blanks become plain ones."""
    return re.sub("[\u00a0\u2007\u202f\u3000]", " ", text.strip(EDGES).removeprefix("'").strip(EDGES))


def refuse_unprintable(text: str) -> None:
    """Raise NotUnderstood for control characters, and for the sign that stands where a letter was lost."""
    if found := _UNPRINTABLE.search(text):
        raise NotUnderstood(f"holds the unprintable character {found[0]!a}", "type the cell again")


def refuse_formula_error(text: str) -> None:
    """Raise NotUnderstood for what a spreadsheet writes where it has no value."""
    if _FORMULA_ERROR.match(text):
        raise NotUnderstood(f"found {text!r}", "the spreadsheet could not work out or show this cell")


def read_number(text: str) -> float:
    """A decimal number with point or comma; blanks between thousands are taken out."""
    plain = re.sub("[ ']", "", text, count=1) if _GROUPED.match(text) else text
    plain = plain.replace("−", "-")
    if _NUMBER.fullmatch(plain) and math.isfinite(number := float(plain.replace(",", "."))):
        return number
    raise NotUnderstood(f"expected a number, found {_shown(text)}", _number_slip(text))


def _number_slip(text: str) -> str:
    if re.fullmatch(r"[\d.,]+\s*k?hz\.?", text, re.IGNORECASE):
        return "write the number in Hz, without the unit"
    if "." in text and "," in text:
        return "leave out the mark between thousands"
    if (re.search(r"[A-Za-zÀ-ž]{3}", text) and re.search(r"\d", text)) or text.count("/") == 2 or text.count(".") == 2:
        return "did the spreadsheet make a date of the number? format the column as text"
    if re.search(r"[;&]|\d\s+\d", text):
        return "one number in a cell; further tones go into box.toml, [reference] tone_hz"
    return ""


def read_hz(text: str, criteria: SheetCriteria) -> float:
    """The frequency of a tone."""
    hz = read_number(text)
    lowest, highest = criteria.lowest_tone_hz, criteria.highest_tone_hz
    if lowest <= hz <= highest:
        return hz
    slip = ""
    if lowest <= hz * 1000 <= highest and hz > 0:
        slip = f"in kHz, or a mark between thousands? write {hz * 1000:g}"
    elif lowest <= hz / 1000 <= highest:
        slip = f"was the decimal mark lost? write {hz / 1000:g}"
    raise NotUnderstood(f"expected a tone of {lowest:g} to {highest:g} Hz, found {_shown(text)}", slip)


def read_ratio(text: str, criteria: SheetCriteria) -> float:
    """By how much playback is sped up, near 1."""
    percent = text.endswith("%")
    if fraction := re.fullmatch(r"=?\s*([\d.,]+)\s*[/:]\s*([\d.,]+)", text):
        slip = f"write {fraction[1]} into tone_hz and {fraction[2]} into read_hz"
        raise NotUnderstood(f"expected a ratio near 1, found {_shown(text)}", slip)
    ratio = read_number(text.rstrip("% \u00a0\u202f"))
    lowest, highest = criteria.lowest_ratio, criteria.highest_ratio
    if lowest <= ratio <= highest and not percent:
        return ratio
    what = f"expected a ratio of {lowest:g} to {highest:g}, found {_shown(text)}"
    raise NotUnderstood(what, _ratio_slip(ratio, percent, criteria))


def _ratio_slip(ratio: float, percent: bool, criteria: SheetCriteria) -> str:
    lowest, highest = criteria.lowest_ratio, criteria.highest_ratio
    if lowest <= ratio / 100 <= highest:
        return f"given in percent? write {ratio / 100:.6g}"
    if abs(ratio) < 100 * (highest - 1):
        return f"a speed error in percent? {ratio:g} % is a ratio of {1 / (1 + ratio / 100):.6f}"
    if percent:
        return "write a number near 1, such as 1.009"
    if lowest <= ratio / 1000 <= highest:
        return f"was the decimal mark lost? write {ratio / 1000:.6g}; a tone in Hz belongs into tone_hz or read_hz"
    if criteria.lowest_tone_hz <= ratio <= criteria.highest_tone_hz:
        return "a tone in Hz belongs into tone_hz or read_hz; the ratio of 440 read as 436 is 1.009174"
    return "write a number near 1, such as 1.009"


def read_tape_type(text: str) -> TapeType:
    """I, II, III or IV; also "Type II", "2", "IEC II"."""
    word = re.sub(r"[^a-z0-9]", "", unicodedata.normalize("NFKC", text).casefold())
    word = word.removeprefix("iec").removeprefix("type").removeprefix("typ")
    numbered = dict(zip("1234", TapeType, strict=True)) | {kind.value.casefold(): kind for kind in TapeType}
    if word in numbered:
        return numbered[word]
    slip = next((f"write {kind}" for kind, words in _TRADE_WORDS.items() if word in words), "")
    raise NotUnderstood(f"expected I, II, III or IV, found {_shown(text)}", slip)


def read_length(text: str) -> str:
    """The cassette's length as C60, C90 …, also from "c-90", "90" or "90 min"."""
    found = re.fullmatch(r"(?:M?C[ -]?)?(\d{1,3})(?:\s*(?:min\.?|minutes|'))?", text, re.ASCII | re.IGNORECASE)
    if found and int(found[1]) > 0:
        return f"C{int(found[1])}"
    raise NotUnderstood(f"expected a cassette length such as C60, found {_shown(text)}", "other remarks go into notes")


def read_date(text: str) -> tuple[str, str | None]:
    """The date as written, and as ISO where it can only mean one day, month or year. Free text is welcome.

    >>> read_date("12.03.1984"), read_date("3/12/84"), read_date("autumn 1984")
    (('12.03.1984', '1984-03-12'), ('3/12/84', None), ('autumn 1984', None))
    """
    text = text.removeprefix("'") if re.match(r"'\d+[-./\d]{3}", text, re.ASCII) else text
    midnight = re.fullmatch(r"(\S+)[ T]00:00(:00(\.0+)?)?", text)
    text = midnight[1] if midnight else text
    if re.fullmatch(r"[1-6]\d{4}(?:[.,]0+)?", text, re.ASCII):
        slip = "that is how a spreadsheet stores a date; format the column as text"
        raise NotUnderstood(f"found the bare number {text}", slip)
    if re.fullmatch(r"[12]\d{3}", text, re.ASCII):
        return text, text
    if month := re.fullmatch(r"([12]\d{3})-(\d\d)", text, re.ASCII):
        return text, _iso(text, month[1], month[2], "1")[:7]
    if iso := re.fullmatch(r"([12]\d{3})[-./](\d{1,2})[-./](\d{1,2})", text, re.ASCII):
        return text, _iso(text, iso[1], iso[2], iso[3])
    if dotted := re.fullmatch(r"(\d{1,2})\.\s?(\d{1,2})\.\s?([12]\d{3})", text, re.ASCII):
        return text, _iso(text, dotted[3], dotted[2], dotted[1])
    if slashed := re.fullmatch(r"(\d{1,2})[/-](\d{1,2})[/-]([12]\d{3})", text, re.ASCII):
        first, second = int(slashed[1]), int(slashed[2])
        if first == second or max(first, second) > 12:  # else it may be either day or month first
            day, month_number = (second, first) if second > 12 else (first, second)
            return text, _iso(text, slashed[3], str(month_number), str(day))
    return text, None


def _iso(text: str, year: str, month: str, day: str) -> str:
    try:
        return date(int(year), int(month), int(day)).isoformat()
    except ValueError:
        raise NotUnderstood(
            f"found {_shown(text)}, which no calendar has", "day and month the right way round?"
        ) from None


def read_index(text: str) -> tuple[IndexNote, ...]:
    """Counter notes, apart by ; or line; each is a counter and a text, or a text alone."""
    notes = []
    for part in re.split(r"[;\r\n]+", text):
        if part := part.strip(EDGES):
            counter = re.match(r"(\d{1,4})(?!\S)[ \t\u00a0]*[-–:]?[ \t\u00a0]*", part, re.ASCII)
            notes.append(IndexNote(counter[1], part[counter.end() :]) if counter else IndexNote("", part))
    return tuple(notes)


def _shown(text: str) -> str:
    return repr(text) if len(text) <= 40 else repr(text[:37]) + "..."  # repr makes invisible signs visible
