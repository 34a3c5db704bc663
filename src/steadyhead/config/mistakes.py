"""Mistakes that concern several values at once, carried out of a model with the place of each."""

from __future__ import annotations

from steadyhead.config.marked_yaml import Keys


class ModelError(ValueError):
    """Raised inside a pydantic validator; the loader gives each mistake its own line of the file.

    mistakes : (keys below the model that raised, text) of each
    """

    def __init__(self, mistakes: list[tuple[Keys, str]]) -> None:
        self.mistakes = mistakes
        super().__init__("; ".join(text for _, text in mistakes))
