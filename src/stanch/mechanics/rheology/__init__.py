"""Rheology beyond Kelvin-Voigt: spring-pot and Zener media, their fits, and the evidence for one against another."""
