"""Views: plain data to text, JSON, CSV and HTML."""
