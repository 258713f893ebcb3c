"""Two general recipes on the same pictures, for comparison: a fixed a* rule, trainable pixels."""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.learning.observe import FIRST_SEED, Scene, draw_scene
from budvision.photo.colour import to_lab
from budvision.vocabulary import Tissue

__all__ = ["compare_recipes", "fixed_rule", "trainable_pixels"]

Uint8 = npt.NDArray[np.uint8]
_SIDE: Final = 160


def fixed_rule(image: Uint8) -> bool:
    """Call the primary dead when the median a* of the picture's central tenth is above 0."""
    rows, cols = image.shape[:2]
    middle = image[int(rows * 0.42): int(rows * 0.58), int(cols * 0.42): int(cols * 0.58)]
    return bool(np.median(to_lab(np.ascontiguousarray(middle))[..., 1]) > 0.0)


def _small(scene: Scene) -> tuple[Uint8, Uint8]:
    """Crop to the true face, as a person would frame it, and bring it down."""
    rows, cols = np.nonzero(scene.labels)
    half = int(max(np.ptp(rows), np.ptp(cols)) * 0.6) + 4
    row, col = int(rows.mean()), int(cols.mean())
    top, left = max(0, row - half), max(0, col - half)
    window = (slice(top, row + half), slice(left, col + half))
    size = (_SIDE, _SIDE)
    image = cv2.resize(scene.image[window], size, interpolation=cv2.INTER_AREA)
    labels = cv2.resize(scene.labels[window], size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(image, np.uint8), np.asarray(labels, np.uint8)


def _features(image: Uint8) -> npt.NDArray[Any]:
    from skimage.feature import multiscale_basic_features

    basic: Any = multiscale_basic_features
    return np.asarray(basic(image, channel_axis=-1, sigma_min=1, sigma_max=8, workers=1))


def trainable_pixels(scenes: list[Scene], *, rng: np.random.Generator) -> Any:
    """Train scikit-image's pixel features with a random forest, as its own example does.

    Parameters
    ----------
    scenes : list of Scene
        Usable photographs with their labels.

    Returns
    -------
    callable
        Takes a scene, returns whether the primary is dead, or None where no tissue is found.
    """
    from sklearn.ensemble import RandomForestClassifier

    rows, wanted = [], []
    for scene in scenes:
        image, labels = _small(scene)
        target = np.where(labels == 4, 3, 0)
        for tissue in Tissue:
            if scene.exposed[tissue]:
                target[labels == tissue.label] = 2 if scene.dead[tissue] else 1
        chosen = rng.choice(target.size, 400, replace=False)
        rows.append(_features(image).reshape(target.size, -1)[chosen])
        wanted.append(target.ravel()[chosen])
    forest = RandomForestClassifier(
        50, max_depth=10, max_samples=0.5, n_jobs=1, random_state=int(rng.integers(2**31 - 1))
    ).fit(np.vstack(rows), np.concatenate(wanted))

    def judge(scene: Scene) -> bool | None:
        image, _ = _small(scene)
        predicted = forest.predict(_features(image).reshape(_SIDE * _SIDE, -1))
        predicted = predicted.reshape(_SIDE, _SIDE)
        row, col = np.mgrid[:_SIDE, :_SIDE] - _SIDE / 2
        near = np.hypot(row, col) < _SIDE * 0.18
        live, dead = int((predicted[near] == 1).sum()), int((predicted[near] == 2).sum())
        return None if live + dead == 0 else dead > live

    return judge


def compare_recipes(
    right_of_model: dict[int, bool], *, rng: np.random.Generator, n_train: int = 60,
    n_test: int = 150, first: int = FIRST_SEED + 700_000_000,
) -> dict[str, Any]:
    """Judge the primary by both recipes on photographs of the main renderer.

    Parameters
    ----------
    right_of_model : dict of int to bool
        The model's own argmax verdict on the same photographs, by seed: right or not.
    n_train, n_test : int
        Photographs.
    first : int
        First seed of the tested ones.

    Returns
    -------
    dict
        For each recipe ``n`` and ``right``.
    """
    train: list[Scene] = []
    seed = first + 10_000_000
    while len(train) < n_train:
        scene = draw_scene(seed)
        seed += 1
        if scene.usable:
            train.append(scene)
    judge = trainable_pixels(train, rng=rng)
    rule, forest, own = [], [], []
    for seed in range(first, first + n_test):
        scene = draw_scene(seed)
        if not scene.usable:
            continue
        dead = scene.dead[Tissue.PRIMARY]
        rule.append(fixed_rule(scene.image) == dead)
        forest.append(judge(scene) == dead)
        if seed in right_of_model:
            own.append(right_of_model[seed])
    return {
        name: {"n": len(hits), "right": round(float(np.mean(hits)), 4) if hits else None}
        for name, hits in (
            ("this model, every primary found, unsure ones by the likelier side", own),
            ("a* above 0 in the middle of the picture is dead", rule),
            ("scikit-image pixel features and a random forest, on the true face's crop", forest),
        )
    }
