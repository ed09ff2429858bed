"""Words chosen once, drawn many times."""
