"""Pictures of measures, one file a topic; a measure names its own where it is registered."""
