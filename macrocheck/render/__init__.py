"""Sections with known truth: geometry first, then a picture of it, deterministic by seed.

`section.py` builds the geometry in millimetres (`sampling.py` draws random ones), `truth.py` computes every
quantity from it in each weld's own frame (`joint_frame.py`). `looks.py` names the knobs of a picture's look,
`sample_looks.py` draws them; `coverage.py` lays regions out in pixels exactly, `paint.py` with `deposit.py`,
`textures.py` and `clutter.py` paints the metal, `camera.py` photographs it. `photo.py` does all of it:
`render_photo(seed, look)`.
"""
