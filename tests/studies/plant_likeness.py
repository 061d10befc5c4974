"""Learn the weights of :mod:`grader.outline.plant` from photos with known silhouettes.

Run by hand (needs ``pip install scikit-learn``)::

    python -m tests.studies.plant_likeness ../shared/trays/a ../shared/trays/b renders/dev

Prints the share of pixels judged wrongly when one set is left out, then trains on all and writes
``grader/outline/plant_likeness.npz``.  The shipped weights: trays a and b and 20 studio photos "dev".
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from sklearn.neural_network import MLPClassifier

from grader.outline.plant import FAINTEST, LARGEST_FEATURE, features
from grader.outline.shadow import ShadowSettings, find_shadow_colour
from tests.studies.known_photos import known_photos, labels

PER_PHOTO = 9000
HIDDEN = (24, 12)
ROUNDS = 20


def main(folders: list[Path]) -> None:
    """Train and write."""
    settings, draw = ShadowSettings(), np.random.default_rng(0)
    rows, answers, sets = [], [], []
    for known in known_photos(folders):
        if known.truth.get("props") or known.truth.get("debris"):
            continue  # cards, pens and crumbs are neither plant nor paper
        linear = known.view.linear
        values = features(linear, find_shadow_colour(linear, settings), settings)
        label = labels(known)
        for kind in (0, 1):
            index = np.flatnonzero((label == kind) & (values[..., 0] < FAINTEST))
            index = draw.choice(index, min(PER_PHOTO, len(index)), replace=False)
            rows.append(values.reshape(-1, values.shape[-1])[index])
            answers.append(np.full(len(index), kind))
            sets.append(np.full(len(index), known.name.split("/")[0]))
    x = np.clip(np.concatenate(rows), -LARGEST_FEATURE, LARGEST_FEATURE)
    y, group = np.concatenate(answers), np.concatenate(sets)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-3
    z = (x - mean) / scale
    for name in np.unique(group):
        if (group != name).any():
            network = _network(ROUNDS // 2).fit(z[group != name], y[group != name])
            wrong = 1 - network.score(z[group == name], y[group == name])
            print(f"{name} left out: {100 * wrong:.2f} % of its pixels judged wrongly")
    network = _network(ROUNDS).fit(z, y)
    layers = enumerate(zip(network.coefs_, network.intercepts_, strict=True))
    stored = {"mean": mean, "scale": scale}
    for k, (weight, bias) in layers:
        stored |= {f"weight{k}": weight, f"bias{k}": bias}
    target = Path(__file__).parents[2] / "grader" / "outline" / "plant_likeness.npz"
    np.savez(target, **{name: value.astype(np.float32) for name, value in stored.items()})
    print(f"written {target}")


def _network(rounds: int) -> MLPClassifier:
    return MLPClassifier(HIDDEN, alpha=1e-3, batch_size=512, max_iter=rounds, random_state=0)


if __name__ == "__main__":
    main([Path(argument) for argument in sys.argv[1:]])
