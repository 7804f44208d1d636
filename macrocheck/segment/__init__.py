"""Photo, joint and hints to Outline: regions by a network, geometry by fitting.

`find_outline` (in `find.py`) looks for welds in the whole photo (`locate.py`, `network.py`), tells the joint
(`joint.py`), and has each weld fitted: `fit_weld` (in `fit.py`) turns the network's maps of one weld into its
outline: the weld's place in the maps (`layout.py`), member surfaces (`surfaces.py`, `end_face.py`), the face
(`face.py`), toes (`toes.py`), the fusion boundary (`boundary.py`), what lies in and beside it (`voids.py`,
`groove.py`, `haz.py`), the opening between the members behind it (`opening.py`) and what is doubtful about it
(`doubts.py`). Beads on plate are looked for on their own (`beads.py`, with looks drawn out by `flattened.py`).
Where the unfused land ends (`land.py`) is told last, from all welds of the joint together.
"""

from macrocheck.segment.find import find_outline
from macrocheck.segment.hints import Hints, parse_hint, parse_hints
from macrocheck.segment.looks import Looks

__all__ = ["Hints", "Looks", "find_outline", "parse_hint", "parse_hints"]
