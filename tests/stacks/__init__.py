"""Stacks made from rendered nights, beside what the library foretells of them."""
