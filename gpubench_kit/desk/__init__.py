"""The bench desk: the recording hours themselves, without typing."""
