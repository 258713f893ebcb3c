"""Arrays in, arrays out: reading, judging, segmenting and measuring photographs of cuts."""
