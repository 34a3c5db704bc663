"""Pictures of the report as small SVG files, drawn from plain arrays."""
