"""Plans: which batches to make, in which order, on which days, what they can tell and how little they see."""
