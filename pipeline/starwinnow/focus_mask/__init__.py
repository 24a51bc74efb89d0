"""Focus mask: the spikes of a masked star -> how far the focus is off."""
