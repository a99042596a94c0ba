"""Tests of the calibrations: closed forms, published numbers, an independent library, simulated units."""
