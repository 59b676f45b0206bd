"""The letter that a buyer sends to the maker of a unit: made, read, compared with the unit as accepted, answered."""
