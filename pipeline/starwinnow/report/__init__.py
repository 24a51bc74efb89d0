"""What a scored night leaves on disk."""
