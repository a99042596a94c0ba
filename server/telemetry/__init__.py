"""Received bytes as rows, journal and latest values on one time axis, and conditions on them."""
