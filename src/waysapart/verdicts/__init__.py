"""Stage 5: verdicts from findings, rules, waivers and gaps."""
