"""The chart library: which, from where, and what it needs of the content security policy.

Plotly, from the file its Python package ships. Both candidates were run in Chromium under the policy of
this program (``script-src 'self'; style-src 'self'``, no unsafe-inline, no unsafe-eval):

- Bokeh builds its layout from style elements inside shadow roots; all of them are refused (several hundred
  violations for one chart) and nothing is drawn. It could only run with unsafe-inline for styles.
- Plotly draws with SVG attributes and the style interface of the document, which the policy allows, and never
  needs to evaluate text for the line charts used here. It wants one style element to add rules to; a
  stylesheet of ours that carries the id it looks for (``plotly.js-style-global``) takes that place. It also
  puts in styles for its maps when the file is loaded; there are no maps here, so ``chart.js`` gives it an
  element without effect for them meanwhile, and nothing is refused. No exception in the policy is needed, not
  even style-src-attr.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

LIBRARY = "plotly.min.js"


@cache
def library_bytes() -> bytes:
    """The library's file as its package ships it."""
    return files("plotly").joinpath("package_data", LIBRARY).read_bytes()
