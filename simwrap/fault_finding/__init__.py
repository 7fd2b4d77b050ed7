"""What measured values say of a build: what may be the matter, and what a builder's own valves are."""
