"""A sheet of coupons in, many results on a record out."""
