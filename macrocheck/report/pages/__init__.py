"""The report: coupons of a test record as one page to hand over, HTML or PDF.

`gather` reads the record into `facts`, `pictures` draws what goes into the pages, `view` words it all, `html` fills
the templates and `pdf` prints them. Needs the extra `macrocheck[report]`.
"""
