"""The vehicle on paper: sheet numbers, configuration, next flight."""
