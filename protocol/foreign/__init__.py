"""Formats of a vehicle's own: lines of text, records of fixed layout, as a [framing] table describes them."""
