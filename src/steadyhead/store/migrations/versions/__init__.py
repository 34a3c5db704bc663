"""One module per step, numbered; a step that has been released is never altered."""
