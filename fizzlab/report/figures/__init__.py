"""Every figure of the house: takes a result object, returns a Matplotlib figure, in one palette and style."""
