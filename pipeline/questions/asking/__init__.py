"""A question of the practice's own: population, groups, outcome and clock, named by what is stored."""
