"""What one truck should be built with: the ratings, the driveline and the prices, read for a single question."""
