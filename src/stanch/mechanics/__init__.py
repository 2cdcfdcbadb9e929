"""Displacement to modulus and viscosity: geometry, response, inversion."""
