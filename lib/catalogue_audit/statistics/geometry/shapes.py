"""Which products have one shape, by their names."""


def shape_names(skus):
    """
    SKUs without a last part of letters, which names a colourway.

    Parameters
    ----------
    skus : Series

    Returns
    -------
    Series of str

    Examples
    --------
    >>> import pandas as pd
    >>> shape_names(pd.Series(["AL-1101-BLK", "610-77-A", "TR5501"])).tolist()
    ['AL-1101', '610-77', 'TR5501']
    """
    return skus.astype(str).str.replace(r"(?<=\d)[-_. ][A-Za-z]+$", "", regex=True)
