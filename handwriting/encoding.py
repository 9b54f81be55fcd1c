"""Pictures as files: pixels and nothing else."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import OutputError


def png(picture: NDArray[np.uint8] | NDArray[np.uint16]) -> bytes:
    """Return a picture as PNG: grey of shape (H, W), 8 or 16 bits, or RGB of shape (H, W, 3).

    Raises
    ------
    OutputError
        It could not be coded.
    """
    image = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR) if picture.ndim == 3 else picture
    done, data = cv2.imencode(".png", image)
    if not done:
        raise OutputError("a picture could not be made into a PNG file", fix="Measure the page again")
    return bytes(data)
