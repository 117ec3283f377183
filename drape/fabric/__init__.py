"""One cloth: figures, what follows from them, the shear test."""
