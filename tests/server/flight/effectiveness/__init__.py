"""Effectiveness of fins and side motors against flights whose truth is known."""
