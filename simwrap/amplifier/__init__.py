"""The whole amplifier: a design with its supply and levels, audited before any metal is cut."""
