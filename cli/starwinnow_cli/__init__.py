"""The `starwinnow` command."""
