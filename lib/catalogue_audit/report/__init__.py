"""Tables, charts, pictures, notebooks and the page that people open."""
