"""Stage 4: findings. What paths share, how far apart they run, and their figures."""
