# Writes the two files beside it with Apache Arrow's Python library (pyarrow 26.0.1). The numbers are invented.
import decimal

import pyarrow as pa
import pyarrow.parquet as pq

columns = {
    "clock": pa.array([1, 2, 3, 4], type=pa.timestamp("ms")),
    "time_ms": pa.array([0, 5, 10, 15], type=pa.int64()),
    "force_left_n": pa.array([1.5, None, float("nan"), 2.5], type=pa.float64()),
    "price": pa.array([decimal.Decimal(x) for x in (1, 2, 3, 4)], type=pa.decimal128(10, 2)),
    "force_right_n": pa.array([1, 2, 3, 4], type=pa.float32()),
    "displacement_um": pa.array([0, 500, 1000, 1500], type=pa.int32()),
    "marker": pa.array([1, 1, 2, 2], type=pa.uint32()),
    "note": pa.array(["a", "b", "a", None], type=pa.string()),
    "flag": pa.array([1, 0, 1, 0], type=pa.int8()),
}
pq.write_table(pa.table(columns), "other-writer.parquet", row_group_size=3)
small = dict(columns, force_right_n=pa.array([1, 2, 3, 4], type=pa.int16()))
pq.write_table(pa.table(small), "small-integers.parquet")
