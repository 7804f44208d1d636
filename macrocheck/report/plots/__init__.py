"""Plots of many coupons: from the values of the studies and of the record to a figure, and from that to SVG or PNG.

Needs the extra `macrocheck[report]`. Every function takes values and returns a Matplotlib `Figure` that belongs to
nobody else: no global state, no screen. `to_svg` and `to_png` turn it into bytes.
"""
