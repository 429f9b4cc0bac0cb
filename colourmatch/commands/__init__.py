"""The commands, one module a subject; each asks the package and says what came back, and computes nothing."""
