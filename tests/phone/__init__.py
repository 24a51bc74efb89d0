"""Tests of the page on a phone."""
