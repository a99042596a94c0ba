"""`blockhouse weigh`: inertia by a swing, center of gravity by two scales, thrust by a load cell."""
