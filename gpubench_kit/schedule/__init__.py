"""The session at the bench: runs needed, their order, their time, and what they will be able to say."""
