"""What is told to people: tables and sentences as a model, and their renderers."""
