"""The build sheet: drawings, parts, test points in the order of powering up, on one page of HTML."""
