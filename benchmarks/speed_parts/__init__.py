"""Parts of speed.py: frames, what is raced on them, fresh processes, and the page's tables."""
