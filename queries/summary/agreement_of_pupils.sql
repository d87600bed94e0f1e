select test.*,
from result.likeness_of_pupils as test
