"""Pages for people and the interface for programs, served by the same service."""
