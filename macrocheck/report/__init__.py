"""Results as tables and pictures."""
