"""Numerical work for recalls: how soon wax returns, and which weeks people are asked back in. Knows numpy and scipy."""
