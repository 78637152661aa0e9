"""Brute-force reference of one press cycle; shares no code with the program it checks."""
