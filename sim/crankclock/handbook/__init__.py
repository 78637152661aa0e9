"""Sourced tables and formulas of the trade: each row and each formula names where it comes from.

Floats in SI units in and out; a table keeps its rows in the unit they are printed in. An estimate says that
it is one, and what has no published source is marked as common practice.
"""
