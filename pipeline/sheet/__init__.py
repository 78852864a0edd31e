"""The box sheet: ``box.toml`` and ``tapes.csv``, read forgivingly and judged strictly.

Forgiving where a spreadsheet's habit leaves no doubt (byte order marks, separators, decimal commas, headings in any
case, trailing empty cells); strict where a guess could put wrong speed or a wrong name on a tape. All problems are told
at once. Nothing is ever written.

Read on in `read` (the way through), `cells` (what one cell may say), `table` (the CSV file), `names` (safe tape
ids) and `shelf` (finding captures).
"""

from pipeline.sheet.read import read_sheet, scan_sheet
from pipeline.sheet.records import Box, IndexNote, SheetCriteria, SheetScan, SideRow, TapeType

__all__ = ["Box", "IndexNote", "SheetCriteria", "SheetScan", "SideRow", "TapeType", "read_sheet", "scan_sheet"]
