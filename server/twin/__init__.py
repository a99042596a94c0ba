"""A simulated vehicle: dynamics, its flight computer, its radio channel."""
