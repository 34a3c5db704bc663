"""Learn the judge of names from watched cases, and turn scikit-learn's trees into plain arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import sklearn
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier

from evaluation.looks import Look, Watched
from steadyhead.diagnosis.forest import NONE, Forest
from steadyhead.types import CONDITIONS, FloatArray

CLASSES = (NONE, *(name for name in CONDITIONS if name not in ("telemetry_loss", "unfamiliar")))
ROUNDS, RATE, LEAVES, LEAST_IN_A_LEAF, SHRUNK = 80, 0.08, 12, 15, 3.0
NOT_YET_SEEN = 0.4  # weight of a look between the cause and the moment its effect can be seen
ALLOWED = 0.3  # of a look at ordinary life that nobody would object to naming
LINGERS_S = 6 * 3600  # after the end, what a rule still says may be either


def truth_at(one: Watched, look: Look) -> tuple[str, float]:
    """What is right to say at a look, and how much that weighs."""
    episode = one.episode
    if episode is not None and look.at_s >= episode.cause_s:
        if look.at_s <= episode.end_s + 900:
            return episode.condition, 1.0 if look.at_s >= episode.seen_s else NOT_YET_SEEN
        return NONE, 0.0 if look.at_s < episode.end_s + LINGERS_S else 0.2
    for life in one.life:
        if life.from_s <= look.at_s <= life.to_s + 3600 and life.allowed:
            # a rule that says what nobody would object to is not to be unlearned: more flow than ever is just
            # that
            return look.rule if look.rule in life.allowed else NONE, ALLOWED
    return NONE, 1.0


def rows(watched: Sequence[Watched]) -> tuple[FloatArray, NDArray[np.str_], FloatArray]:
    """Features, names and weights of all looks; a case weighs about as much as another."""
    xs, names, weights = [], [], []
    for one in watched:
        looks = [look for look in one.looks if look.kind != "cleared" and look.rule != "telemetry_loss"]
        told = [truth_at(one, look) for look in looks]
        total = sum(weight for _, weight in told)
        for look, (name, weight) in zip(looks, told, strict=True):
            if weight > 0 and name in CLASSES:
                xs.append(look.x)
                names.append(name)
                weights.append(weight / max(total, 1.0) ** 0.6)
    return np.array(xs, dtype=np.float32), np.array(names), np.array(weights)


def trained(watched: Sequence[Watched], seed: int = 1) -> Forest:
    """The forest of these cases."""
    x, names, weights = rows(watched)
    model = HistGradientBoostingClassifier(
        max_iter=ROUNDS,
        learning_rate=RATE,
        max_leaf_nodes=LEAVES,
        min_samples_leaf=LEAST_IN_A_LEAF,
        l2_regularization=SHRUNK,
        max_features=0.3,
        early_stopping=False,
        random_state=seed,
    )
    y = np.array([CLASSES.index(name) for name in names])
    count = np.bincount(y, weights=weights, minlength=len(CLASSES))
    balance = (count.sum() / np.maximum(count, 1.0)) ** 0.35  # rare names must not drown, nor rule
    model.fit(x, y, sample_weight=weights * balance[y])
    about = {
        "made_of": sorted({one.world for one in watched}),
        "cases": len(watched),
        "looks": len(x),
        "seed": seed,
        "sklearn": sklearn.__version__,
        "numpy": np.__version__,
    }
    return _flat(model, next(one.names for one in watched if one.names), about)


def _flat(model: HistGradientBoostingClassifier, names: tuple[str, ...], about: dict[str, object]) -> Forest:
    roots, of_class, parts = [], [], []
    at = 0
    for trees in model._predictors:
        for number, tree in enumerate(trees):
            nodes = tree.nodes
            leaf = nodes["is_leaf"].astype(bool)
            roots.append(at)
            of_class.append(model.classes_[number])
            parts.append(
                (
                    nodes["feature_idx"],
                    nodes["num_threshold"],
                    np.where(leaf, -1, nodes["left"].astype(int) + at),
                    nodes["right"].astype(int) + at,
                    nodes["missing_go_to_left"],
                    np.where(leaf, nodes["value"], 0.0),
                )
            )
            at += len(nodes)
    feature, threshold, left, right, missing, value = (
        np.concatenate([p[i] for p in parts]) for i in range(6)
    )
    base = np.full(len(CLASSES), -30.0)  # a class nobody has seen has no chance
    base[model.classes_] = model._baseline_prediction.ravel()
    return Forest(
        names,
        CLASSES,
        np.array(roots, np.int32),
        np.array(of_class, np.int16),
        feature.astype(np.int16),
        threshold.astype(float),
        left.astype(np.int32),
        right.astype(np.int32),
        missing.astype(bool),
        value.astype(float),
        base,
        1.0,
        0.0,
        about,
    )


Said = tuple[FloatArray, str, str, float]
"""Scores of a look, the rule that spoke, what was right, and how much that weighs."""


def said_of(forest: Forest, watched: Sequence[Watched]) -> list[Said]:
    """What a forest makes of the looks at cases that it has not seen."""
    found = []
    for one in watched:
        looks = [look for look in one.looks if look.kind != "cleared" and look.rule != "telemetry_loss"]
        told = [truth_at(one, look) for look in looks]
        total = max(sum(weight for _, weight in told), 1.0)
        for look, (name, weight) in zip(looks, told, strict=True):
            if weight > 0 and name in forest.classes:
                scores = forest.scores(np.asarray(look.x, dtype=np.float64))
                found.append((scores, look.rule, name, weight / total))
    return found


def sharpened(forest: Forest, left_out: Sequence[Said]) -> Forest:
    """The forest with the sharpness and trust that make what was right of worlds left out likeliest."""
    scores = np.array([one[0] for one in left_out])
    claims = np.array([[one[1] == name for name in CLASSES] for one in left_out], dtype=float)
    y = np.array([CLASSES.index(one[2]) for one in left_out])
    w = np.array([one[3] for one in left_out])

    def loss(sharpness: float, trust: float) -> float:
        score = sharpness * scores + trust * claims
        score -= score.max(axis=1, keepdims=True)
        return float(-(w * (score[np.arange(len(y)), y] - np.log(np.exp(score).sum(axis=1)))).sum())

    grid = [(a, b) for a in np.arange(0.3, 1.25, 0.05) for b in np.arange(0.0, 2.1, 0.1)]
    sharpness, trust = min(grid, key=lambda pair: loss(*pair))
    return replace(forest, sharpness=float(sharpness), trust=float(trust))
