"""What is due, a module a subject. Each looks at the facts and says what should be open now; none stores."""
