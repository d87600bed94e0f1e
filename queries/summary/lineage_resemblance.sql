select test.*,
from result.lineage_test as test
