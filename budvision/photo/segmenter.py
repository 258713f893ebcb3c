"""The network that finds and segments cut faces, run by `cv2.dnn`."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError, NotFoundError

__all__ = ["CROP_PX", "Segmenter", "sigmoid", "softmax"]

Uint8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]

CROP_PX = 320
"""Side of the square round the face that is segmented."""


class Segmenter:
    """The network, read once; safe to share between threads.

    Parameters
    ----------
    path : Path
        The ONNX file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._nets: dict[int, Any] = {}

    @classmethod
    def load(cls, folder: Path) -> Segmenter:
        """Load `segmenter.onnx` from a model folder.

        Raises
        ------
        NotFoundError
            When the file is missing.
        InputError
            When it is not a network that OpenCV reads.
        """
        path = Path(folder) / "segmenter.onnx"
        if not path.is_file():
            raise NotFoundError(
                f"{path.name} is missing",
                expected="a model folder with it",
                where=str(folder),
                do="Choose another model or install again.",
            )
        segmenter = cls(path)
        segmenter._net(CROP_PX)
        return segmenter

    def __getstate__(self) -> dict[str, Any]:
        return {"path": self.path}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(state["path"])  # type: ignore[misc]

    def _net(self, side_px: int) -> Any:
        if side_px not in self._nets:
            try:
                # OpenCV 5's older engine runs this network a quarter faster than its newer one
                engine = [cv2.dnn.ENGINE_CLASSIC] if hasattr(cv2.dnn, "ENGINE_CLASSIC") else []
                self._nets[side_px] = cv2.dnn.readNetFromONNX(str(self.path), *engine)
            except cv2.error as error:
                raise InputError(
                    "it is not a network that OpenCV can read",
                    expected="an ONNX file",
                    where=self.path.name,
                    do="Install the model again.",
                ) from error
        return self._nets[side_px]

    def run(self, square: Uint8) -> tuple[Float32, Float32]:
        """Run the network over a square RGB picture.

        Returns
        -------
        maps : ndarray of float32, (channels, side / 2, side / 2)
            Logits: five labels, dead pixel, dead growing point.
        whole : ndarray of float32
            Logits: exposed x 3, then the judgements.
        """
        blob = np.ascontiguousarray(square.transpose(2, 0, 1)[None], np.float32) / np.float32(255)
        with self._lock:
            net = self._net(square.shape[0])
            net.setInput(blob)
            maps, whole = net.forward(["pixels", "whole"])
        return np.asarray(maps[0], np.float32).copy(), np.asarray(whole, np.float32).ravel().copy()


def softmax(logits: Float32) -> Float32:
    """Return shares along the first axis."""
    shifted = np.exp(logits - logits.max(0, keepdims=True))
    return np.asarray(shifted / shifted.sum(0, keepdims=True), np.float32)


def sigmoid(logits: Float32) -> Float32:
    """Return probabilities of log odds."""
    return np.asarray(1 / (1 + np.exp(-np.clip(logits, -30, 30))), np.float32)
