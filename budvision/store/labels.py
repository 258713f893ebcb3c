"""Label arrays as PNG: one byte a pixel, nothing lost."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import InputError, StorageError
from budvision.vocabulary import LABEL_SCALES

__all__ = ["decode_labels", "encode_labels"]

# Filters help photographs: of labels they make twice the work to decode, and a file half as large
# again. OpenCV before 4.12 chooses them itself.
_NO_FILTER = ([cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_NONE]
              if hasattr(cv2, "IMWRITE_PNG_FILTER") else [])


def encode_labels(labels: npt.NDArray[np.uint8]) -> bytes:
    """Return labels as the bytes of a grey PNG.

    Parameters
    ----------
    labels : ndarray of uint8, shape (rows, columns)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool.

    Raises
    ------
    InputError
        When the array has another shape, type or value.
    """
    if labels.ndim != 2 or labels.dtype != np.uint8 or labels.size == 0:
        raise InputError(
            f"labels are {labels.dtype} of shape {labels.shape}", where="labels",
            expected="uint8 with rows and columns",
        )
    if int(labels.max()) > LABEL_SCALES:
        raise InputError(
            f"labels hold {int(labels.max())}", expected=f"0 to {LABEL_SCALES}", where="labels",
        )
    done, data = cv2.imencode(".png", labels, _NO_FILTER)
    if not done:
        raise StorageError("the labels could not be written as PNG", where="labels")
    return bytes(data.tobytes())


@lru_cache(maxsize=32)  # a bud's facts and its picture ask for the same within a moment
def decode_labels(png: bytes) -> npt.NDArray[np.uint8]:
    """Return the labels in a PNG made by `encode_labels`; they are not to be written to.

    Raises
    ------
    StorageError
        When the bytes are not such a PNG.
    """
    labels = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_UNCHANGED) if png else None
    if labels is None or labels.ndim != 2 or labels.dtype != np.uint8:
        raise StorageError(
            "the stored labels are damaged", where="region", expected="a grey 8-bit PNG",
            do="Run `budvision check`, then propose the photograph anew.",
        )
    found = np.asarray(labels, np.uint8)
    found.flags.writeable = False
    return found
