"""Records: cutters, what was measured on them, how long they were used, and what people decided."""
