"""Photo, joint and hints to Outline: regions by a network, geometry by fitting.

`fit_weld` (in `fit.py`) turns the network's maps of one weld into its outline: the weld's place in the maps
(`layout.py`), member surfaces (`surfaces.py`), the face (`face.py`), toes (`toes.py`), the fusion boundary
(`boundary.py`), what lies in and beside it (`extras.py`) and what is doubtful about it (`doubts.py`).
"""
