"""Tests of the night's report."""
