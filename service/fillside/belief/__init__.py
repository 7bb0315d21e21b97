"""All that is known of the studio, with its uncertainty and its age."""
