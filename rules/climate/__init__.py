"""What is seen of a place: judged readings, their consensus, dew point and lid, and what is remembered of them."""
