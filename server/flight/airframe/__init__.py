"""The body on paper and in the air: centers, margin, inertia, swing, forecast."""
