"""The simulators, each inside its child process."""
