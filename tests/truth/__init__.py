"""Checks against frames drawn by GalSim, with truth computed apart from the measuring code."""
