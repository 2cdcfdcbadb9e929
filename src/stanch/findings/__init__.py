"""Limits, rules and words."""
