"""What the settings did: groups compared, relations fitted, the measuring itself studied.

`values`, `comparison`, `relation`, `gauge` and `photo_comparison` are the values that come out, which pages and
plots draw; they import nothing but each other. `gather` reads a record into `values.CouponValue`; `compare`,
`relate` and `repeat` are pure functions from those to the values. Formulas and their sources: docs/study.md.

Importing this package loads no statistics library; its modules are imported where they are used.
"""
