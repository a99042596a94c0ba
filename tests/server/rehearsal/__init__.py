"""Tests of flying flight code on the bench."""
