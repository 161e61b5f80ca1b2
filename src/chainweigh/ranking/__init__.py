"""Candidates weighed, put in order, and picked as a set."""
