"""Where measures meet an engine: one measurement, or a sweep."""
