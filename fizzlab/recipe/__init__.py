"""A batch on paper: measures to grams, acid against soda, gas, cost, order of making and cautions."""
