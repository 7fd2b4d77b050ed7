"""A netlist as a list of elements: what each is, how it is read and printed, and what none may hold."""
