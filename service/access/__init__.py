"""Who may do what over HTTP: tokens, sign-in, student links and what guards them."""
