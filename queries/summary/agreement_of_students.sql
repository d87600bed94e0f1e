select test.*,
from result.likeness_of_students as test
