"""The roll loop: response, oscillation, margins, excitation."""
