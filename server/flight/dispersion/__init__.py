"""Many flights at once: where and how the next one may go, every number drawn within its doubt.

`lot` is what a flight is computed from, one array entry a flight; `draws` makes one of a nominal and its sigmas; `winds` is
the air; `ascent` six degrees of freedom from the rail on, all flights in one step; `canopies` the way down under what
opens; `regions` the intervals and the band of range and bearing; `flights` the whole, in blocks
that tell how far they are.
"""
