"""The hollow, its tube bag, the forces."""
