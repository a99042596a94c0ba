"""What is measured of the vehicle on the ground: inertia by a swing, center of gravity by two scales, thrust on a stand.

Every number comes with one standard deviation, and what each rests on is said beside it. Used on demand only; needs scipy.
"""
