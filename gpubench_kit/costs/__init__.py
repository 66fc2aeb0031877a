"""What a difference in power means in energy, heat and money; all of it estimates."""
