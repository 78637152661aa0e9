"""The moving parts: small frozen objects, each with its motion, in SI floats or arrays over variants."""
