"""Where the product ends: backdrop, outline, contact, framing."""
