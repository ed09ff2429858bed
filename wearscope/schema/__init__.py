"""JSON Schemas of the documents other programs may rely on."""
