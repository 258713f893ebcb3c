"""Training examples that drawing processes share with the trainer."""

from __future__ import annotations

import mmap
import multiprocessing as mp
import os
import sys
from multiprocessing.process import BaseProcess
from typing import Any

import cv2
import numpy as np

from budvision.render.examples import JUDGEMENTS, draw_example

__all__ = [
    "NOBODY_KNOWS",
    "VALIDATION_START",
    "Pool",
    "drawing",
    "drawn",
    "fill",
    "judgement_number",
]

VALIDATION_START = 900_000_000
"""Examples from this seed on are for validation only; training uses seeds below it."""
NOBODY_KNOWS = 255
"""Judgement of an example that nobody could judge either way."""


def judgement_number(judgement: str) -> int:
    """Return the place of a judgement in `JUDGEMENTS`, `NOBODY_KNOWS` where there is none."""
    return JUDGEMENTS.index(judgement) if judgement else NOBODY_KNOWS


class Pool:
    """Examples shared between drawing processes and the trainer.

    Each slot holds image (3 bytes a pixel), labels and brownness (1 byte a pixel each), and a
    short row: exposed x 3 (or UNKNOWN), judgement (or NOBODY_KNOWS), filled, growing point dead
    x 3.
    """

    def __init__(self, slots: int, side: int) -> None:
        self.slots, self.side = slots, side
        self._pixels = mmap.mmap(-1, slots * side * side * 5)
        self._rows = mmap.mmap(-1, slots * 8)

    def pixels(self) -> Any:
        """View the pictures: uint8 (slots, side, side, 5)."""
        return np.frombuffer(self._pixels, np.uint8).reshape(self.slots, self.side, self.side, 5)

    def rows(self) -> Any:
        """View the rows: uint8 (slots, 8); column 4 counts how often the slot was filled."""
        return np.frombuffer(self._rows, np.uint8).reshape(self.slots, 8)


def fill(pool: Pool, first: int, step: int, start: int, once: bool) -> None:
    """Draw examples into slots first, first + step, ... until stopped."""
    cv2.setNumThreads(1)
    os.nice(5)  # the trainer goes first
    os.environ["OMP_NUM_THREADS"] = "1"
    pixels, rows = pool.pixels(), pool.rows()
    turn = 0
    while True:
        for slot in range(first, pool.slots, step):
            seed = start + turn * pool.slots + slot
            try:
                example = draw_example(np.random.default_rng(seed), side_px=pool.side)
            except (cv2.error, ValueError, IndexError, FloatingPointError) as error:
                sys.stderr.write(f"example {seed}: {error}\n")
                continue
            pixels[slot, ..., :3] = example.image
            pixels[slot, ..., 3] = example.labels
            pixels[slot, ..., 4] = example.dead
            rows[slot, :3] = example.exposed
            rows[slot, 3] = judgement_number(example.judgement)
            rows[slot, 5:8] = example.state
            rows[slot, 4] = min(255, int(rows[slot, 4]) + 1)
        turn += 1
        if once:
            return


def drawing(pool: Pool, start: int, workers: int, *, once: bool = False) -> list[BaseProcess]:
    """Start processes that fill a pool with examples from a seed on: whole, or on and on."""
    context = mp.get_context("fork")
    helpers: list[BaseProcess] = [
        context.Process(target=fill, args=(pool, i, workers, start, once), daemon=True)
        for i in range(workers)
    ]
    for helper in helpers:
        helper.start()
    return helpers


def drawn(n: int, start: int, workers: int, side_px: int) -> Pool:
    """Return a pool of n examples from a seed on, drawn by that many processes."""
    pool = Pool(n, side_px)
    for helper in drawing(pool, start, workers, once=True):
        helper.join()
    return pool
