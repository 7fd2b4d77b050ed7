"""What is noticed about a circuit, as data: findings, the table of their codes, and the one place that words them."""
