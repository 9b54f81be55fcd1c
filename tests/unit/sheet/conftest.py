import cv2
import numpy as np
import pypdfium2
import pytest

from handwriting.sheet.drawing import draw_sheet, plan_sheet
from handwriting.sheet.passages import find_passage
from handwriting.sheet.rulings import find_ruling

PX_PER_MM = 300 / 25.4


class Printed:
    """A sheet's plan, its PDF and its first writing page as a picture, 300 dpi, colour."""

    def __init__(self, passage="kite", ruling="uk-10", page=0, **how):
        self.plan = plan_sheet(find_passage(passage), find_ruling(ruling), **how)
        self.pdf = draw_sheet(self.plan)
        self.layout = self.plan.layouts[page]
        # Drawn three times as fine and averaged: the renderer snaps edges to whole pixels.
        fine = pypdfium2.PdfDocument(self.pdf)[page].render(scale=3 * 300 / 72).to_numpy()
        rows, columns = fine.shape[0] // 3, fine.shape[1] // 3
        self.picture = cv2.resize(fine[: rows * 3, : columns * 3], (columns, rows), interpolation=cv2.INTER_AREA)
        self.grey = cv2.cvtColor(self.picture, cv2.COLOR_BGR2GRAY)

    def copy(self):
        return np.array(self.grey)


@pytest.fixture(scope="session")
def portrait():
    return Printed()


@pytest.fixture(scope="session")
def landscape():
    return Printed("lighthouse", "de-2", paper="letter", hand="left", pages=2)
