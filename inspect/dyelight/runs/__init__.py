"""Wholesale runs: many panels for one buyer, their sampling, patterns and record."""
