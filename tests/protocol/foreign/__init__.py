"""Formats of a vehicle's own, against independent readers and by hand."""
