#include "tests/support/turntable_data.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <Eigen/QR>
#include <fstream>
#include <sstream>

namespace trunnion::test {
namespace {

// P = K [R t] by RQ decomposition, K with a positive diagonal.
PublishedView split(const Eigen::Matrix<double, 3, 4>& projection) {
  const Eigen::Matrix3d flip =
      Eigen::Vector3d(1, 1, 1).asDiagonal().toDenseMatrix().rowwise().reverse();
  Eigen::Matrix<double, 3, 4> P = projection;
  if (P.leftCols<3>().determinant() < 0) P = -P;
  const Eigen::Matrix3d reversed = (flip * P.leftCols<3>()).transpose();
  const Eigen::HouseholderQR<Eigen::Matrix3d> qr(reversed);
  const Eigen::Matrix3d q = qr.householderQ();
  const Eigen::Matrix3d r = q.transpose() * reversed;
  Eigen::Matrix3d K = flip * r.transpose() * flip;
  Eigen::Matrix3d R = flip * q.transpose();
  for (int i = 0; i < 3; ++i) {
    if (K(i, i) >= 0) continue;
    K.col(i) = -K.col(i);
    R.row(i) = -R.row(i);
  }
  PublishedView view;
  view.pose.R = R;
  view.pose.t = K.inverse() * P.col(3);
  K /= K(2, 2);
  view.camera.fx = K(0, 0);
  view.camera.fy = K(1, 1);
  view.camera.cx = K(0, 2);
  view.camera.cy = K(1, 2);
  return view;
}

}  // namespace

std::vector<PublishedView> read_ring16(const std::filesystem::path& folder) {
  std::ifstream file(folder / "dinoSR_par.txt");
  int count = 0;
  file >> count;
  std::vector<PublishedView> views;
  for (int i = 0; i < count; ++i) {
    std::string name;
    Eigen::Matrix3d K;
    PublishedView view;
    file >> name;
    for (int k = 0; k < 9; ++k) file >> K(k / 3, k % 3);
    for (int k = 0; k < 9; ++k) file >> view.pose.R(k / 3, k % 3);
    for (int k = 0; k < 3; ++k) file >> view.pose.t[k];
    view.image = folder / "images" / name;
    view.camera.width_px = 640;
    view.camera.height_px = 480;
    view.camera.fx = K(0, 0);
    view.camera.fy = K(1, 1);
    view.camera.cx = K(0, 2);
    view.camera.cy = K(1, 2);
    views.push_back(view);
  }
  return views;
}

std::vector<PublishedView> read_turntable36(const std::filesystem::path& folder) {
  std::ifstream file(folder / "projections.txt");
  std::vector<PublishedView> views;
  std::string line;
  while (std::getline(file, line)) {
    if (line.empty() || line[0] == '#') continue;
    std::istringstream numbers(line);
    Eigen::Matrix<double, 3, 4> P;
    for (int k = 0; k < 12; ++k) numbers >> P(k / 4, k % 4);
    PublishedView view = split(P);
    view.image = folder / "images" / fmt::format("viff.{:03d}.png", views.size());
    view.camera.width_px = 720;
    view.camera.height_px = 576;
    views.push_back(view);
  }
  return views;
}

}  // namespace trunnion::test
