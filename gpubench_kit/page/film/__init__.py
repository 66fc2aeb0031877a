"""Pictures for films and articles: the page's charts with the finding as title, large enough for a screen."""
