"""Why frames are bad: kernels, fits of stars, what is ordinary, causes and episodes."""
