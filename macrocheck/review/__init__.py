"""The page where a person looks at an outline, puts it right and signs it off."""
