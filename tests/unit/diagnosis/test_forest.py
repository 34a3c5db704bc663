"""The forest that names: its walk against scikit-learn's own, and that what ships is what was made."""

import hashlib

import numpy as np
import pytest
from evaluation.training import CLASSES, _flat
from sklearn.datasets import load_iris
from sklearn.ensemble import HistGradientBoostingClassifier

from steadyhead.diagnosis import forest as module
from steadyhead.diagnosis.forest import from_bytes, shipped, to_bytes
from steadyhead.errors import ProfileError


@pytest.fixture(scope="module")
def flowers():
    """Fisher's iris data (scikit-learn), every seventh number missing."""
    x, y = load_iris(return_X_y=True)
    x = x.copy()
    x.ravel()[::7] = np.nan
    model = HistGradientBoostingClassifier(max_iter=12, min_samples_leaf=5, random_state=0).fit(x, y)
    return x, model, _flat(model, ("a", "b", "c", "d"), {})


def test_the_walk_gives_what_scikit_learn_gives(flowers):
    x, model, forest = flowers
    for row, wanted in zip(x, model.predict_proba(x), strict=True):
        found = forest.posterior(row, "")
        np.testing.assert_allclose([found[name] for name in CLASSES[:3]], wanted, atol=1e-9)
        assert sum(found.values()) == pytest.approx(1.0)


def test_bytes_and_back_give_the_same_chances(flowers):
    x, _, forest = flowers
    again = from_bytes(to_bytes(forest))
    assert again.posterior(x[3], "drift") == forest.posterior(x[3], "drift")
    assert again.names == forest.names


def test_what_ships_is_named_by_its_hash_and_a_changed_file_is_refused(monkeypatch, tmp_path):
    forest = shipped()
    assert forest.classes == CLASSES
    assert set(forest.about["made_of"]) == {"plant", "pulse", "dynamic", "epanet"}
    data = to_bytes(forest)
    (tmp_path / "forest.npz").write_bytes(data + b"0")
    (tmp_path / "forest.sha256").write_text(f"{hashlib.sha256(data).hexdigest()}  forest.npz\n")
    monkeypatch.setattr(module, "files", lambda _: tmp_path)
    shipped.cache_clear()
    with pytest.raises(ProfileError, match="install the package anew"):
        shipped()
    shipped.cache_clear()
