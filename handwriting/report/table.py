"""`measures.csv`: one row a measure, figures unrounded, text cells safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io

from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report.words import Catalogue, catalogue

COLUMNS = ("key", "name", "value", "unit", "low", "high", "n", "flags", "not_measured", "reason")


def safe(cell: str) -> str:
    """Return a text cell that no spreadsheet takes for a formula (OWASP ASVS 5.0, 1.2.10); never used on numbers."""
    bare = cell.replace("\0", " ")
    return "'" + bare if bare[:1] in {"=", "+", "-", "@", "\t", "\r", "\n"} else bare


def _figure(value: float) -> str:
    return f"{value:.6g}"


def measures_csv(record: Record, *, words: Catalogue | None = None) -> str:
    """Return the table of measures as CSV text (RFC 4180, lines end in CR LF)."""
    words = words or catalogue()
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for key, q in record.measures.items():
        name = safe(words.measure(key).name)
        if isinstance(q, Measured):
            figures = [_figure(q.value), safe(q.unit), _figure(q.low), _figure(q.high), q.n]
            writer.writerow([safe(key), name, *figures, safe(" ".join(q.flags)), "", ""])
        else:
            writer.writerow([safe(key), name, "", "", "", "", "", "", safe(q.flag), safe(q.why)])
    return out.getvalue()
