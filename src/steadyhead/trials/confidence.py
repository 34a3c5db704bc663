"""Count how often each name was right in the last runs of the sets that thresholds may see."""

from __future__ import annotations

import csv
import json
from collections import Counter
from pathlib import Path

import click

from steadyhead.files import write_atomically

COUNTED = (
    "development",
    "widened",
    "shifted",
    "stretched",
    "varied",
    "broadened",
    "altered",
    "renewed",
    "reworked",
    "redrawn",
    "refreshed",
)  # never the evaluation set
TARGET = Path(__file__).parents[1] / "diagnosis" / "confidence.json"


def count(rows: list[dict[str, str]]) -> dict[str, list[int]]:
    """By condition: first alerts that were right, and all first alerts."""
    right: Counter[str] = Counter()
    total: Counter[str] = Counter()
    for row in rows:
        if row["first"] != "-":
            total[row["first"]] += 1
            right[row["first"]] += row["right"] == "right"
    return {name: [right[name], total[name]] for name in sorted(total)}


@click.command()
@click.option(
    "--cache",
    default="out/trials",
    type=click.Path(path_type=Path),
    show_default=True,
    help="Folder of the runs.",
)
def main(cache: Path) -> None:
    """Write diagnosis/confidence.json from the last runs of the sets that thresholds may see."""
    rows: list[dict[str, str]] = []
    for name in COUNTED:
        with (cache / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows += csv.DictReader(file)
    counted = count(rows)
    write_atomically(TARGET, json.dumps({"counted": counted}, indent=1) + "\n")
    click.echo(f"{TARGET}: {sum(n for _, n in counted.values())} first alerts counted")


if __name__ == "__main__":
    main()
