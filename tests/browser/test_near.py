"""Whether the viewfinder's "near enough" and "come nearer" are true, on cuts of known width.

Each cut is laid into frames so that the longest way across its face fills a known share of the
ring, up to 4 % of the frame off the middle. Over half of the ring "near enough" is right, under it
"come nearer"; "cannot tell" is never wrong. With ``BUDVISION_NEAR=4`` (the constants of near.js
were chosen on other photographs) right, cannot tell and wrong were, of 60 path-traced and of 24
drawn cuts each:

=====  ==========  =========
share  traced      drawn
=====  ==========  =========
0.2    59, 1, 0    24, 0, 0
0.3    57, 3, 0    21, 3, 0
0.4    24, 36, 0   17, 6, 1
0.6    51, 9, 0    7, 10, 7
0.75   57, 2, 1    8, 14, 2
0.9    58, 1, 1    13, 9, 2
=====  ==========  =========
"""

from __future__ import annotations

import base64
import json
import math
import os
from collections import Counter
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from budvision.render.cut import render_cut
from budvision.render.world import sample_world

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SHARES = (0.2, 0.3, 0.4, 0.6, 0.75, 0.9)
RING = 0.84
"""Width of the ring, of the picture's shorter side (bench.css leaves 8 % on each side)."""

SIDE_PX = 320
MORE = int(os.environ.get("BUDVISION_NEAR", "1"))
"""How many times as many cuts to try; 4 for every second path-traced one."""


def _across(face: NDArray[np.bool_]) -> tuple[float, NDArray[np.float64]]:
    """Return the longest way across a face and the middle (x, y) of the box round it, in pixels."""
    hull = cv2.convexHull(np.argwhere(face)[:, ::-1].astype(np.int32))[:, 0].astype(float)
    ways = np.hypot(*(hull[:, None] - hull[None]).transpose(2, 0, 1))
    return float(ways.max()), (hull.min(axis=0) + hull.max(axis=0)) / 2


def _frame(picture: NDArray[np.uint8], face: NDArray[np.bool_], share: float,
           off: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return a square frame in which the face fills `share` of the ring's width.

    Beyond the picture's edge its surround goes on mirrored, without the face.
    """
    width, middle = _across(face)
    scale = share * RING * SIDE_PX / width
    small = cv2.resize(picture, None, fx=scale, fy=scale,
                       interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    x, y = np.round(SIDE_PX * (0.5 + off) - scale * middle)
    move = np.array([[1, 0, x], [0, 1, y]], float)
    bare = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    inside = cv2.warpAffine(np.ones(small.shape[:2], np.uint8), move, bare.shape) > 0
    hide = cv2.resize(face.astype(np.uint8), small.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    hide = cv2.dilate(hide, np.ones((3, 3)), iterations=math.ceil(0.06 * share * RING * SIDE_PX))
    coarse = cv2.resize(small, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    hole = cv2.resize(hide, coarse.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    filled = cv2.resize(cv2.inpaint(coarse, hole, 3, cv2.INPAINT_TELEA), small.shape[1::-1])
    plain = np.where(hide[..., None] > 0, filled, small)
    around = cv2.warpAffine(plain, move, bare.shape, borderMode=cv2.BORDER_REFLECT_101)
    return np.where(inside[..., None], cv2.warpAffine(small, move, bare.shape), around)


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    page = browser.new_page()
    code = (files("budvision") / "web/bench/static/near.js").read_bytes()
    page.evaluate(f"""async () => {{
        const near = await import("data:text/javascript;base64,{base64.b64encode(code).decode()}");
        window.told = (frames) => Promise.all(frames.map(async (frame) => {{
            const image = new Image();
            image.src = "data:image/jpeg;base64," + frame;
            await image.decode();
            const canvas = new OffscreenCanvas(near.SIDE, near.SIDE);
            const context = canvas.getContext("2d", {{ willReadFrequently: true }});
            context.imageSmoothingQuality = "high";
            context.drawImage(image, 0, 0, near.SIDE, near.SIDE);
            return near.nearness(context);
        }}));
    }}""")
    yield page
    page.close()


def _told(page: Any, frames: list[NDArray[np.uint8]]) -> list[str]:
    """Return what the page's own script says of each frame, sent as a camera's JPEG (BGR)."""
    sent = [base64.b64encode(cv2.imencode(".jpg", frame)[1].tobytes()).decode() for frame in frames]
    return page.evaluate("(frames) => told(frames)", sent)


def _counted(said: list[tuple[float, str]]) -> dict[float, Counter[str]]:
    """Return how often each answer was given at each share of the ring, and print it."""
    counted = {share: Counter(word for at, word in said if at == share) for share in SHARES}
    for share, words in counted.items():
        print(share, *(f"{word} {words[word]}/{words.total()}"
                       for word in ("nearer", "unknown", "near")))
    return counted


@pytest.mark.shared
def test_near_enough_is_true_of_path_traced_cuts(page: Any, shared_photos: Path) -> None:
    folder = shared_photos.parent / "path_traced"
    rows = [json.loads(line) for line in (folder / "truth.jsonl").read_text("utf-8").splitlines()]
    rng = np.random.default_rng(1)
    said = []
    chosen = [row for row in rows if row["usable"]][1::2][::max(1, 4 // MORE)]
    for row in chosen:
        picture = cv2.imread(str(folder / row["file"]))
        face = cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE) > 0
        frames = [_frame(picture, face, share, rng.uniform(-0.04, 0.04, 2)) for share in SHARES]
        said += zip(SHARES, _told(page, frames), strict=True)
    told = 0
    for share, words in _counted(said).items():
        assert words.total() == len(chosen) > 10
        right, wrong = ("near", "nearer") if share > 0.5 else ("nearer", "near")
        assert words[wrong] <= (0.1 if share == 0.4 else 0.03) * len(chosen)
        told += words[right] if share != 0.4 else 0
    assert told >= 0.9 * 5 * len(chosen)                      # not much is left open


def test_of_drawn_cuts_it_is_told_less_often_and_wrong_more_often(page: Any) -> None:
    rng = np.random.default_rng(5)
    said = []
    for share in SHARES:
        for _ in range(6 * MORE):
            wide = 0.75 * RING * share                    # of the width of a picture of 4 to 3
            world = sample_world(rng, face_share=(wide, 1.001 * wide), fault="")
            cut = render_cut(rng, world=world, size_px=427, aspect=0.75)
            frame = _frame(cut.image[..., ::-1], cut.labels > 0, share, np.zeros(2))
            said.append((share, _told(page, [frame])[0]))
    counted = _counted(said)
    assert sum(counted[share]["near"] for share in (0.2, 0.3)) <= 0.1 * 12 * MORE
    assert sum(counted[share]["nearer"] for share in (0.6, 0.75, 0.9)) <= 0.25 * 18 * MORE
