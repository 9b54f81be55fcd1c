"""The commands, a file a group. Each parses, calls the library and prints; `cli.py` registers them."""
