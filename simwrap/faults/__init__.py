"""A circuit on its supply in which every part can be made faulty by values alone."""
