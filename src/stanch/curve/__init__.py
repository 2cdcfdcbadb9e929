"""Per-push moduli to a posterior curve with sample paths."""
