"""The network that finds and segments cut faces, run by onnxruntime: only this module knows it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError, NotFoundError

__all__ = ["Segmenter", "sigmoid", "softmax"]

Uint8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]

_PLAIN_CROP_PX = 320
"""Side of the square round the face where the file does not say."""
_LABELS = 5
_OUTPUTS = ["pixels", "whole"]
_SQUARE = re.compile(rb"\x0a\x03\x08([\x80-\xff][\x01-\x7f])\x0a\x03\x08\1", re.DOTALL)
"""Two equal declared sizes of 128 or more, one after the other, in an ONNX file."""


class Segmenter:
    """The network, read once; safe to share between threads.

    A run takes one thread: several photographs go side by side in several processes.

    Parameters
    ----------
    path : Path
        The ONNX file.

    Attributes
    ----------
    crop_px : int
        Side of the square round the face that the network was trained at.
    n_classes : int
        Classes that it tells apart; those from the fifth on are parts of scales and wool.
    finds_growing_points : bool
        Whether it says where the growing points lie.
    weights_of : str
        Label of the model whose weights it holds as whole numbers; empty where they are its own.

    Raises
    ------
    InputError
        When it is not a network that the runtime reads and runs.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._session = _opened(path)
            metadata = self._session.get_modelmeta().custom_metadata_map
            self.crop_px = int(metadata.get("budvision.crop_px", _PLAIN_CROP_PX))
            self.n_classes = len(json.loads(metadata.get("budvision.classes", "[0, 1, 2, 3, 4]")))
            self.weights_of = metadata.get("budvision.weights_of", "")
            self._takes_levels = self._session.get_inputs()[0].type == "tensor(uint8)"
            self.finds_growing_points = "growing_point" in metadata.get("budvision.maps", "")
            # some damage shows only where it runs: a photograph should not have to find out
            self.run(np.zeros((64, 64, 3), np.uint8))
        except OSError:
            raise
        except Exception as error:  # the runtime's errors have no base of their own
            raise InputError(
                "it is not a network that can be read",
                expected="an ONNX file",
                where=path.name,
                do="Install the model again.",
            ) from error

    @classmethod
    def load(cls, folder: Path) -> Segmenter:
        """Load `segmenter.onnx` from a model folder.

        Raises
        ------
        NotFoundError
            When the file is missing.
        InputError
            When it is not a network that the runtime reads.
        """
        path = Path(folder) / "segmenter.onnx"
        if not path.is_file():
            raise NotFoundError(
                f"{path.name} is missing",
                expected="a model folder with it",
                where=str(folder),
                do="Choose another model or install again.",
            )
        return cls(path)

    def __getstate__(self) -> dict[str, Any]:
        return {"path": self.path}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(state["path"])  # type: ignore[misc]

    def run(self, square: Uint8) -> tuple[Float32, Float32]:
        """Run the network over a square RGB picture.

        Parameters
        ----------
        square : ndarray of uint8, (side, side, 3)
            sRGB; the side a multiple of 32.

        Returns
        -------
        maps : ndarray of float32, (channels, side / 2, side / 2)
            Logits: five labels (classes from the fifth on folded), dead pixel, dead growing point
            and, where `finds_growing_points`, a growing point lying here.
        whole : ndarray of float32
            Logits: exposed x 3, then the judgements.
        """
        planes: NDArray[Any] = np.ascontiguousarray(square.transpose(2, 0, 1)[None])
        if not self._takes_levels:
            planes = np.multiply(planes, np.float32(1 / 255))
        maps, whole = self._session.run(_OUTPUTS, {"image": planes})
        return self._folded(maps[0]), np.asarray(whole, np.float32).ravel()

    def _folded(self, maps: Float32) -> Float32:
        """Fold the classes from the fifth on into one by the sum of their shares."""
        if self.n_classes == _LABELS:
            return maps
        parts = maps[_LABELS - 1 : self.n_classes]
        most = parts.max(0)
        scales = most + np.log(np.exp(parts - most).sum(0))
        return np.concatenate([maps[: _LABELS - 1], scales[None], maps[self.n_classes :]])


def _opened(path: Path) -> Any:
    # brought in here: the import takes as long as a photograph, and most commands look at none
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(
        _of_any_side(path.read_bytes()), options, providers=["CPUExecutionProvider"],
        enable_fallback=0,  # it would try once more in the same way, and say so on stdout
    )


def _of_any_side(data: bytes) -> bytes:
    """Let a network that was written for squares of one side take squares of any.

    Its weights do not depend on the side; only the declared sizes of input and output do. In the
    ONNX file a declared size is a message of three bytes (``dim_value``), and so is a name of one
    letter (``dim_param``), which stands for any size.
    """
    return _SQUARE.sub(lambda found: 2 * (b"\x0a\x03\x12\x01" + _letter(found[1])), data)


def _letter(side: bytes) -> bytes:
    """Return a letter of its own for each declared side."""
    return bytes([ord("a") + (((side[0] & 0x7F) | side[1] << 7) >> 4) % 26])


def softmax(logits: Float32) -> Float32:
    """Return shares along the first axis."""
    shifted = np.exp(logits - logits.max(0, keepdims=True))
    return np.asarray(shifted / shifted.sum(0, keepdims=True), np.float32)


def sigmoid(logits: Float32) -> Float32:
    """Return probabilities of log odds."""
    return np.asarray(1 / (1 + np.exp(-np.clip(logits, -30, 30))), np.float32)
