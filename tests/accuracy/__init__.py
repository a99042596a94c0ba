"""The station's numbers against the simulated vehicle's truth over random flights, as one table and as assertions."""
