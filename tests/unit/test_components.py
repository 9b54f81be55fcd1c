"""Connected pieces against OpenCV's and scipy's labelling of the same pictures."""

import cv2
import numpy as np
import pytest
from scipy import ndimage

from handwriting.components import components

SHAPES = [(1, 1), (1, 17), (50, 1), (33, 40), (64, 65), (101, 99)]


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.3, 0.5, 0.9, 1.0])
def test_pieces_are_those_of_two_libraries(shape, share):
    mask = (np.random.default_rng(3).random(shape) < share).astype(np.uint8) * 255
    found = components(mask)
    y, x = np.nonzero(mask)
    found_x, found_y, piece = found.pixels(np.arange(len(found.boxes), dtype=np.int32))
    assert np.array_equal(found_x, x)
    assert np.array_equal(found_y, y)
    # OpenCV counts the paper as its first piece.
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    assert len(found.boxes) == count - 1
    own = np.empty(count - 1, np.int64)
    own[piece] = labels[y, x] - 1
    assert np.array_equal(own[piece], labels[y, x] - 1)
    rows, columns = (v.ravel() for v in np.mgrid[: shape[0], : shape[1]])
    assert np.array_equal(found.piece_at(rows, columns, shape[1]), piece)
    assert np.array_equal(found.boxes, boxes[1:][own])
    other, many = ndimage.label(mask, structure=np.ones((3, 3)))
    assert len({*zip(piece.tolist(), other[y, x].tolist(), strict=True)}) == many == count - 1


def test_pieces_are_counted_from_the_top():
    mask = np.zeros((20, 30), np.uint8)
    mask[2, 25], mask[2, 3], mask[10, 1] = 1, 1, 1
    found = components(mask)
    assert found.boxes.tolist() == [[3, 2, 1, 1, 1], [25, 2, 1, 1, 1], [1, 10, 1, 1, 1]]


def test_ink_at_the_ends_of_two_rows_does_not_touch():
    mask = np.zeros((3, 8), np.uint8)
    mask[0, 7] = mask[1, 0] = mask[2, 7] = 255
    assert len(components(mask).boxes) == 3
