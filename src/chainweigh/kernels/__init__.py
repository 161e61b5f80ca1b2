"""Small C inner loops, each with a numpy/scipy twin that defines it."""
