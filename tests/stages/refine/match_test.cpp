#include "stages/refine/match.h"

#include <gtest/gtest.h>

#include <stdexcept>

namespace trunnion::refine {
namespace match_test {

TEST(RefineMatch, RefusesACovarianceOfAnotherSizeThanTheRigs) {
  RigModel model;
  model.rings.resize(1);
  model.stations.resize(2);
  const RigValues values;
  const ImageFeatures none;
  const int size = ParameterIndex(model).size();
  for (const int rows : {0, size - 1, size + 1}) {
    EXPECT_THROW((void)match_guided(model, values, Eigen::MatrixXd::Identity(rows, rows), 0, 1,
                                    none, none, {}, {}, {}),
                 std::invalid_argument)
        << rows;
  }
}

}  // namespace match_test
}  // namespace trunnion::refine
