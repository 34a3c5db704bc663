"""The learned judge of names: trees over the features of a moment, and the chance of each name they give.

``forest.npz`` holds the trees as plain arrays, made by ``python -m evaluation train`` from seeds; its hash
lies beside it and is checked, and nothing in it is code. The trees are scikit-learn's histogram gradient
boosting (Friedman 2001: trees add up to a score for each name, the softmax of which is its chance); here they
are only walked.
"""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from steadyhead.errors import ProfileError
from steadyhead.types import FloatArray

NONE = "none"


@dataclass(frozen=True, slots=True)
class Forest:
    """Trees one after the other in flat arrays; ``left`` is -1 at a leaf, which adds ``value`` to a score.

    names : features, in the order of a row; classes : what has a score, "none" among them
    roots, tree_class : first node of each tree, and the class it adds to; base : scores before any tree
    sharpness : factor of the scores that worlds left out of the training want: below 1, it was too sure
    trust : what the rule that speaks adds to the score of its own name, from the same worlds
    about : what made it, for people
    """

    names: tuple[str, ...]
    classes: tuple[str, ...]
    roots: NDArray[np.int32]
    tree_class: NDArray[np.int16]
    feature: NDArray[np.int16]
    threshold: FloatArray
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    missing_left: NDArray[np.bool_]
    value: FloatArray
    base: FloatArray
    sharpness: float
    trust: float
    about: dict[str, Any]

    def posterior(self, x: FloatArray, claim: str) -> dict[str, float]:
        """Chance of each class for one row of features, shape (n_features,), NaN where nothing is known.

        claim : condition whose rule speaks
        """
        score = self.sharpness * self.scores(x)
        if claim in self.classes:
            score[self.classes.index(claim)] += self.trust
        chances = np.exp(score - score.max())
        return dict(zip(self.classes, (chances / chances.sum()).tolist(), strict=True))

    def scores(self, x: FloatArray) -> FloatArray:
        """Score of each class, shape (n_classes,)."""
        at = self.roots.copy()
        walking = np.arange(len(at))
        while len(walking):
            node = at[walking]
            inner = self.left[node] >= 0
            walking, node = walking[inner], node[inner]
            value = x[self.feature[node]]
            goes_left = np.where(np.isnan(value), self.missing_left[node], value <= self.threshold[node])
            at[walking] = np.where(goes_left, self.left[node], self.right[node])
        return self.base + np.bincount(self.tree_class, weights=self.value[at], minlength=len(self.base))


_ARRAYS = ("roots", "tree_class", "feature", "threshold", "left", "right", "missing_left", "value", "base")


@cache
def shipped() -> Forest:
    """The forest of this version. Raises ProfileError if its file is damaged."""
    folder = files("steadyhead.diagnosis")
    data = folder.joinpath("forest.npz").read_bytes()
    wanted = folder.joinpath("forest.sha256").read_text(encoding="ascii").split()[0]
    if hashlib.sha256(data).hexdigest() != wanted:
        raise ProfileError("diagnosis/forest.npz is not the file that was shipped; install the package anew")
    return from_bytes(data)


def from_bytes(data: bytes) -> Forest:
    """The forest that ``to_bytes`` wrote."""
    with np.load(io.BytesIO(data), allow_pickle=False) as stored:
        about = json.loads(str(stored["about"]))
        arrays = {name: stored[name] for name in _ARRAYS}
    return Forest(
        names=tuple(about["features"]),
        classes=tuple(about["classes"]),
        sharpness=float(about["sharpness"]),
        trust=float(about["trust"]),
        about=about,
        **arrays,
    )


def to_bytes(forest: Forest) -> bytes:
    """All of it as one compressed file of plain arrays."""
    out = io.BytesIO()
    about = {
        **forest.about,
        "features": list(forest.names),
        "classes": list(forest.classes),
        "sharpness": forest.sharpness,
        "trust": forest.trust,
    }
    arrays: dict[str, Any] = {name: getattr(forest, name) for name in _ARRAYS}
    np.savez_compressed(out, about=np.array(json.dumps(about, sort_keys=True)), **arrays)
    return out.getvalue()
