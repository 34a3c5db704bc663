"""What technicians found moves how likely a cause is, for this fleet.

The likelihoods of the knowledge file count as ``PRIOR_FINDINGS`` findings, and every finding of the fleet
counts as one more: with the file's share p of a cause, n findings of it among N, it becomes
(W p + n) / (W + N). This is the posterior mean under a Dirichlet prior of weight W. What the file leaves to
"something else" (its likelihoods may add up to less than 1) has its share too, and gets the findings that
are in free text or of a cause that does not apply.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from steadyhead.diagnosis.causes import CauseEntry, Knowledge, applies
from steadyhead.types import Condition

PRIOR_FINDINGS = 20.0  # common practice, no source: some twenty visits outweigh what was believed before


@dataclass(frozen=True, slots=True)
class Found:
    """One finding, as far as it moves likelihoods.

    cause_key : None for free text; traits : of the alert it belongs to, empty where there was none
    """

    cause_key: str | None
    traits: Mapping[str, str]


def posterior(shares: Sequence[float], counts: Sequence[int], n_other: int) -> tuple[list[float], float]:
    """Moved shares of the causes, and of everything else; together they are 1.

    shares : of the causes before, each 0 to 1, together at most 1; counts : findings of each cause
    n_other : findings of none of them
    """
    total = PRIOR_FINDINGS + sum(counts) + n_other
    moved = [(PRIOR_FINDINGS * p + n) / total for p, n in zip(shares, counts, strict=True)]
    rest = (PRIOR_FINDINGS * max(1.0 - sum(shares), 0.0) + n_other) / total
    return moved, rest


def moved_knowledge(
    knowledge: Knowledge, condition: Condition, traits: Mapping[str, str], found: Iterable[Found]
) -> Knowledge:
    """Knowledge with the likelihoods of one condition moved by findings, for an alert with these traits.

    Only findings of alerts with the same traits count, as far as the causes of the condition tell traits
    apart: what made outlets fall says nothing of one that rises.
    """
    entry = knowledge.entries[condition]
    told_apart = {word for cause in entry.causes for word in cause.when}
    alike = [
        one
        for one in found
        if all(one.traits.get(word, traits.get(word)) == traits.get(word) for word in told_apart)
    ]
    chosen = [cause for cause in entry.causes if applies(cause.when, traits)]
    keys = [cause.key for cause in chosen]
    counts = [sum(one.cause_key == key for one in alike) for key in keys]
    moved, _ = posterior([cause.likelihood for cause in chosen], counts, len(alike) - sum(counts))
    by_key = dict(zip(keys, moved, strict=True))
    causes = tuple(_moved(cause, by_key[cause.key]) if cause in chosen else cause for cause in entry.causes)
    return replace(
        knowledge, entries={**knowledge.entries, condition: entry.model_copy(update={"causes": causes})}
    )


def _moved(cause: CauseEntry, likelihood: float) -> CauseEntry:
    return cause.model_copy(update={"likelihood": min(likelihood, 1.0)})
