"""The guard: levels and a loop for a microcontroller that watches the output valves' cathode currents."""
