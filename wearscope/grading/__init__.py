"""Limits, decision rule, advice."""
