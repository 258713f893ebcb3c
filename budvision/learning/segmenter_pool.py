"""Training examples that drawing processes share with the trainer."""

from __future__ import annotations

import mmap
import multiprocessing as mp
import os
import sys
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from typing import Any, Final

import cv2
import numpy as np

from budvision.learning.traced import TracedPhoto, traced_example
from budvision.render.examples import JUDGEMENTS, Example, draw_example

__all__ = [
    "CHANNELS",
    "NOBODY_KNOWS",
    "VALIDATION_START",
    "Drawing",
    "Pool",
    "drawing",
    "drawn",
    "fill",
    "judgement_number",
    "put",
]

VALIDATION_START = 900_000_000
"""Examples from this seed on are for validation only; training uses seeds below it."""
NOBODY_KNOWS = 255
"""Judgement of an example that nobody could judge either way."""
CHANNELS: Final = 6
"""Bytes a pixel: RGB, zone, brownness, heat of the growing points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """What is drawn into a pool.

    Attributes
    ----------
    close : bool or None
        Close crops only, frames only, or both.
    share_staged : float
        Share of cut buds that are staged as benches stage them.
    traced : tuple of TracedPhoto
        Photographs that examples are cut out of, too.
    share_traced : float
        Share of the examples that are.
    """

    close: bool | None = None
    share_staged: float = 0.0
    traced: tuple[TracedPhoto, ...] = ()
    share_traced: float = 0.0

    def draw(self, seed: int, side_px: int) -> Example:
        """Draw the example of a seed."""
        rng = np.random.default_rng(seed)
        if self.traced and rng.random() < self.share_traced:
            photo = self.traced[int(rng.integers(len(self.traced)))]
            close = rng.random() < 0.7 if self.close is None else self.close
            return traced_example(rng, photo, side_px=side_px, close=bool(close))
        return draw_example(
            rng, side_px=side_px, close=self.close, share_staged=self.share_staged)


PLAIN: Final = Drawing()


def judgement_number(judgement: str) -> int:
    """Return the place of a judgement in `JUDGEMENTS`, `NOBODY_KNOWS` where there is none."""
    return JUDGEMENTS.index(judgement) if judgement else NOBODY_KNOWS


class Pool:
    """Examples shared between drawing processes and the trainer.

    Each slot holds image (3 bytes a pixel), zones, brownness and heat (1 byte a pixel each), and a
    short row: exposed x 3 (or UNKNOWN), judgement (or NOBODY_KNOWS), filled, growing point dead
    x 3 (or UNKNOWN).
    """

    def __init__(self, slots: int, side: int) -> None:
        self.slots, self.side = slots, side
        self._pixels = mmap.mmap(-1, slots * side * side * CHANNELS)
        self._rows = mmap.mmap(-1, slots * 8)

    def pixels(self) -> Any:
        """View the pictures: uint8 (slots, side, side, CHANNELS)."""
        return np.frombuffer(self._pixels, np.uint8).reshape(
            self.slots, self.side, self.side, CHANNELS)

    def rows(self) -> Any:
        """View the rows: uint8 (slots, 8); column 4 counts how often the slot was filled."""
        return np.frombuffer(self._rows, np.uint8).reshape(self.slots, 8)


def fill(
    pool: Pool, first: int, step: int, start: int, once: bool, drawing: Drawing = PLAIN
) -> None:
    """Draw examples into slots first, first + step, ... until stopped."""
    cv2.setNumThreads(1)
    pixels, rows = pool.pixels(), pool.rows()
    turn = 0
    while True:
        for slot in range(first, pool.slots, step):
            seed = start + turn * pool.slots + slot
            try:
                example = drawing.draw(seed, pool.side)
            except (cv2.error, ValueError, IndexError, FloatingPointError) as error:
                sys.stderr.write(f"example {seed}: {error}\n")
                continue
            put(pixels, rows, slot, example)
        turn += 1
        if once:
            return


def _fill_beside(*how: Any) -> None:
    """Fill in a process of its own, which lets the trainer go first."""
    os.nice(5)
    os.environ["OMP_NUM_THREADS"] = "1"
    fill(*how)


def put(pixels: Any, rows: Any, slot: int, example: Example) -> None:
    """Write an example into a slot."""
    pixels[slot, ..., :3] = example.image
    pixels[slot, ..., 3] = example.labels
    pixels[slot, ..., 4] = example.dead
    pixels[slot, ..., 5] = example.growing
    rows[slot, :3] = example.exposed
    rows[slot, 3] = judgement_number(example.judgement)
    rows[slot, 5:8] = example.state
    rows[slot, 4] = min(255, int(rows[slot, 4]) + 1)


def drawing(
    pool: Pool, start: int, workers: int, *, once: bool = False, what: Drawing = PLAIN
) -> list[BaseProcess]:
    """Start processes that fill a pool with examples from a seed on: whole, or on and on."""
    context = mp.get_context("fork")
    helpers: list[BaseProcess] = [
        context.Process(target=_fill_beside, daemon=True,
                        args=(pool, i, workers, start, once, what))
        for i in range(workers)
    ]
    for helper in helpers:
        helper.start()
    return helpers


def drawn(n: int, start: int, workers: int, side_px: int, *, what: Drawing = PLAIN) -> Pool:
    """Return a pool of n examples from a seed on, drawn by that many processes."""
    pool = Pool(n, side_px)
    for helper in drawing(pool, start, workers, once=True, what=what):
        helper.join()
    return pool
