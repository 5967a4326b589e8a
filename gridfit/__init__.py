"""gridfit: measured plants and objective search for closed-loop slip control grids."""
