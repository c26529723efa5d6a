"""How the product stands: roll, turn, handles, strap."""
