"""Swing, scales and thrust stand against closed forms and scipy's own integration."""
