"""What the words say about the input: sampled tones, codes, and their analysis."""
