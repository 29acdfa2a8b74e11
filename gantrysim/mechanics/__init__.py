"""How the machine moves: quasi-static march, dynamics, the push by hand."""
