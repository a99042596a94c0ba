"""Tests of server/workbench."""
