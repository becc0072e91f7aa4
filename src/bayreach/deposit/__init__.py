"""How liquid comes to lie on sides: one module a mechanism, each with its equation and source."""
