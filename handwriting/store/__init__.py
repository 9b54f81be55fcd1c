"""Records that last: one SQLite file, pupils by code only.

    with open_store(create=True) as store:
        number = store.keep(record, picture, by="class teacher")
        samples = store.samples("P07")

The list that ties codes to names stays with the school; nothing here asks for it.
"""

from handwriting.store.kept import Checked, CorrectionRow, Erased, PupilRow, SampleRow
from handwriting.store.opening import default_path
from handwriting.store.picture import Strip, read_strip
from handwriting.store.records import LOOK_AGAIN_MONTHS, Store, open_store

__all__ = [
    "LOOK_AGAIN_MONTHS",
    "Checked",
    "CorrectionRow",
    "Erased",
    "PupilRow",
    "SampleRow",
    "Store",
    "Strip",
    "default_path",
    "open_store",
    "read_strip",
]
