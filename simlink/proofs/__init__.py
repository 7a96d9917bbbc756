"""What holds for every draw within the given laws."""
