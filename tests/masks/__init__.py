"""Focus mask images drawn by somebody else, and what is measured on them."""
