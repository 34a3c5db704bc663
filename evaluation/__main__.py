"""Gather cases of all worlds, leave one world out in turn, and train what ships: ``python -m evaluation``.

``gather`` watches the cases of every world (an hour on one core, kept in out/evaluation); ``train`` leaves
each world out in turn, writes src/steadyhead/diagnosis/forest.npz and puts the figures into
docs/evaluation.md.
"""

from __future__ import annotations

import hashlib
import pickle
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import click
import numpy as np

from evaluation.looks import WORLDS, Look, Watched, gathered
from evaluation.scoring import Figures, Judge, Told, by_condition, figures, rules_alone, told_of
from evaluation.training import Said, said_of, sharpened, trained
from steadyhead.diagnosis import forest as diagnosis_forest
from steadyhead.diagnosis.forest import NONE, Forest, to_bytes
from steadyhead.types import CONDITIONS

FOLDER = Path("out/evaluation")
PAGE = Path("docs/evaluation.md")
SHIPPED = Path(str(diagnosis_forest.__file__)).parent


def everything(folder: Path = FOLDER) -> dict[str, list[Watched]]:
    """Watched cases by world."""
    return {
        world: [one for n, seed in sets for one in gathered(world, n, seed, folder)]
        for world, sets in WORLDS.items()
    }


def judge_of(forest: Forest) -> Judge:
    """The forest as a judge of looks; their features are in the forest's order."""
    kept: dict[int, dict[str, float]] = {}

    def judge(look: Look) -> dict[str, float]:
        if id(look) not in kept:
            kept[id(look)] = forest.posterior(np.asarray(look.x, dtype=np.float64), look.rule)
        return kept[id(look)]

    return judge


def left_out(worlds: dict[str, list[Watched]]) -> dict[str, tuple[Forest, list[Said]]]:
    """For each world the forest of all others, and what that one says of it.

    Sharpness and trust of each come from the other three worlds' answers: a world's own have no part in it.
    """
    kept = FOLDER / "left-out.pkl"
    if kept.is_file():
        return dict(pickle.loads(kept.read_bytes()))  # noqa: S301 our own cache
    others = {w: [one for o, some in worlds.items() if o != w for one in some] for w in worlds}
    with ProcessPoolExecutor(2) as pool:
        forests = dict(zip(worlds, pool.map(trained, others.values()), strict=True))
    said = {w: said_of(forests[w], worlds[w]) for w in worlds}
    found = {
        w: (sharpened(forests[w], [one for o in worlds if o != w for one in said[o]]), said[w])
        for w in worlds
    }
    kept.write_bytes(pickle.dumps(found))
    return found


def scored(watched: Sequence[Watched], judge: Judge) -> tuple[Figures, list[tuple[Watched, list[Told]]]]:
    """Figures of a world under a judge, and what was told of each case."""
    pairs = [(one, told_of(one, judge)) for one in watched if not one.failed]
    return figures(pairs), pairs


def line(name: str, one: Figures) -> str:
    """A world's figures as a row of the table."""
    shares = (one.found, one.named, one.mild_found, one.mild_named, one.lookalikes_as_valve)
    found, named, mild_found, mild_named, lookalikes = (f"{100 * share:.0f} %" for share in shares)
    return (
        f"| {name} | {one.cases} | {one.macro_f1:.2f} ± {one.f1_error:.2f} | {found} / {named} | "
        f"{mild_found} / {mild_named} | {one.false_a_year:.1f} ({one.valve_false_a_year:.1f}) | "
        f"{lookalikes} | {one.delay_h:.1f} h | {one.ece:.2f} | {one.skill:+.2f} |"
    )


def write_down(worlds: dict[str, list[Watched]], forests: dict[str, Forest], final: Forest) -> None:
    """Put the tables into docs/evaluation.md, between their marks."""
    rows = []
    count: Counter[tuple[str, str]] = Counter()
    for world, watched in worlds.items():
        rows.append(line(f"{world}, rules alone", scored(watched, rules_alone)[0]))
        told, pairs = scored(watched, judge_of(forests[world]))
        rows.append(line(f"**{world}**, left out", told))
        count += by_condition(pairs)
    by_name = []
    for name in (NONE, *CONDITIONS):
        of_it = {told: n for (truth, told), n in count.items() if truth == name}
        if of_it:
            total, right = sum(of_it.values()), of_it.pop(name, 0)
            wrong = ", ".join(f"{told} {n}" for told, n in sorted(of_it.items(), key=lambda kv: -kv[1])[:3])
            by_name.append(f"| {name} | {total} | {100 * right / total:.0f} % | {wrong} |")
    about = final.about
    made = (
        f"The forest that ships was made of {about['cases']} cases ({about['looks']} looks) of "
        f"{', '.join(about['made_of'])} with seed {about['seed']}, scikit-learn {about['sklearn']}, numpy "
        f"{about['numpy']}; sharpness {final.sharpness:.2f}, trust {final.trust:.1f}."
    )
    text = PAGE.read_text(encoding="utf-8")
    for mark, lines in (("left-out", rows), ("by-name", by_name), ("made", [made])):
        before, rest = text.split(f"<!-- {mark} -->\n", 1)
        _, after = rest.split(f"<!-- end of {mark} -->", 1)
        text = f"{before}<!-- {mark} -->\n" + "\n".join(lines) + f"\n<!-- end of {mark} -->{after}"
    PAGE.write_text(text, encoding="utf-8")


def main(words: Sequence[str]) -> int:
    """Run one of the two commands."""
    if words[:1] == ["gather"]:
        everything()
    elif words[:1] == ["train"]:
        worlds = everything()
        forests = left_out(worlds)
        final = trained([one for some in worlds.values() for one in some])
        final = sharpened(final, [one for _, said in forests.values() for one in said])
        data = to_bytes(final)
        (SHIPPED / "forest.npz").write_bytes(data)
        (SHIPPED / "forest.sha256").write_text(
            f"{hashlib.sha256(data).hexdigest()}  forest.npz\n", encoding="ascii"
        )
        write_down(worlds, {w: forest for w, (forest, _) in forests.items()}, final)
    else:
        click.echo(__doc__)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
