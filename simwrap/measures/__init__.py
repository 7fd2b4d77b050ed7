"""Measures: pure functions of arrays, one file a topic, that never see an engine."""
