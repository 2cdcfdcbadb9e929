"""Echoes to displacement."""
