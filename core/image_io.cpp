#include "core/image_io.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <fstream>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "core/image_format.h"
#include "core/image_jpeg.h"
#include "core/image_png.h"
#include "core/image_tiff.h"
#include "core/metadata.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

FileType type_from_content(const fs::path& file) {
  std::error_code code;
  if (!fs::exists(file, code)) throw wrong_image(file, "no such file; check the path.");
  if (!fs::is_regular_file(file, code))
    throw wrong_image(file, "not a regular file; give an image.");
  if (fs::file_size(file, code) == 0) throw wrong_image(file, "is empty; export the image again.");
  std::ifstream stream(file, std::ios::binary);
  std::array<unsigned char, 8> head{};
  stream.read(reinterpret_cast<char*>(head.data()), head.size());
  if (stream.bad() || stream.gcount() < 8) {
    throw wrong_image(file, "cannot be read or is not an image; check permissions and content.");
  }
  const auto starts = [&](std::initializer_list<int> magic) {
    return std::equal(magic.begin(), magic.end(), head.begin());
  };
  if (starts({0x49, 0x49, 42, 0}) || starts({0x4D, 0x4D, 0, 42}) || starts({0x49, 0x49, 43, 0}) ||
      starts({0x4D, 0x4D, 0, 43})) {
    return FileType::tiff;
  }
  if (starts({0x89, 'P', 'N', 'G', 0x0D, 0x0A, 0x1A, 0x0A})) return FileType::png;
  if (starts({0xFF, 0xD8, 0xFF})) return FileType::jpeg;
  throw wrong_image(file, fmt::format("content is neither TIFF, PNG nor JPEG; {}.", kReencode));
}

FileType type_from_extension(const fs::path& file) {
  std::string extension = file.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  if (extension == ".tif" || extension == ".tiff") return FileType::tiff;
  if (extension == ".png") return FileType::png;
  if (extension == ".jpg" || extension == ".jpeg") return FileType::jpeg;
  throw wrong_image(file, "extension is none of .tif, .tiff, .png, .jpg, .jpeg; rename the file.");
}

// The header as stored, before the image is turned upright.
ImageInfo probe_stored(const fs::path& file, const ImageLimits& limits) {
  const FileType content = type_from_content(file);
  if (!limits.wrong_extension && type_from_extension(file) != content) {
    throw wrong_image(file,
                      fmt::format("is a {} file by its content, but its extension says otherwise; "
                                  "rename it to end in {}.",
                                  name_of(content), extension_of(content)));
  }
  if (content == FileType::tiff) return probe_tiff(file, limits);
  ImageInfo info = content == FileType::png ? probe_png(file, limits) : probe_jpeg(file, limits);
  info.orientation = exif_orientation(file);
  return info;
}

// Exif 2.32, 4.6.4 A: where row 0 and column 0 of the stored image belong.
cv::Mat upright(const cv::Mat& stored, int orientation) {
  cv::Mat image;
  switch (orientation) {
    case 2:
      cv::flip(stored, image, 1);
      return image;
    case 3:
      cv::rotate(stored, image, cv::ROTATE_180);
      return image;
    case 4:
      cv::flip(stored, image, 0);
      return image;
    case 5:
      cv::transpose(stored, image);
      return image;
    case 6:
      cv::rotate(stored, image, cv::ROTATE_90_CLOCKWISE);
      return image;
    case 7:
      cv::transpose(stored, image);
      cv::rotate(image, image, cv::ROTATE_180);
      return image;
    case 8:
      cv::rotate(stored, image, cv::ROTATE_90_COUNTERCLOCKWISE);
      return image;
    default:
      return stored;
  }
}

// Where the rows from `first` on of a stored image lie once it is upright (see `upright`).
cv::Rect rows_upright(int first, const cv::Size& stored, int orientation) {
  const int rows = stored.height - first;
  switch (orientation) {
    case 3:
    case 4:
      return {0, 0, stored.width, rows};
    case 5:
    case 8:
      return {first, 0, rows, stored.width};
    case 6:
    case 7:
      return {0, 0, rows, stored.width};
    default:
      return {0, first, stored.width, rows};
  }
}

}  // namespace

const char* extension_of(FileType type) {
  return type == FileType::tiff ? ".tif" : type == FileType::png ? ".png" : ".jpg";
}

const char* name_of(FileType type) {
  return type == FileType::tiff ? "TIFF" : type == FileType::png ? "PNG" : "JPEG";
}

ImageInfo probe_image(const fs::path& file, const ImageLimits& limits) {
  ImageInfo info = probe_stored(file, limits);
  if (info.orientation >= 5) {
    std::swap(info.width_px, info.height_px);
    std::swap(info.chroma.x, info.chroma.y);
  }
  return info;
}

cv::Mat read_image(const fs::path& file, const ImageLimits& limits, cv::Rect* missing) {
  const ImageInfo info = probe_stored(file, limits);
  int first_missing = info.height_px;
  cv::Mat image;
  if (info.type == FileType::tiff) {
    image = read_tiff(file, info, limits.truncated ? &first_missing : nullptr);
  } else {
    image = info.type == FileType::png ? read_png(file, info) : read_jpeg(file, info);
  }
  if (missing != nullptr) {
    *missing = first_missing < info.height_px
                   ? rows_upright(first_missing, image.size(), info.orientation)
                   : cv::Rect();
  }
  return upright(image, info.orientation);
}

void write_image(const fs::path& file, const cv::Mat& image, const WriteOptions& options) {
  const int channels = image.channels();
  if ((image.depth() != CV_8U && image.depth() != CV_16U) ||
      (channels != 1 && channels != 3 && channels != 4)) {
    throw wrong_image(file, "only images of 8 or 16 bit and 1, 3 or 4 channels can be written.");
  }
  if (options.type == FileType::jpeg && (image.depth() != CV_8U || channels == 4)) {
    throw wrong_image(file, "JPEG has 8 bits and no alpha; choose TIFF or PNG in output.type.");
  }
  if (options.type == FileType::tiff) {
    write_tiff(file, image, options.compress);
  } else if (options.type == FileType::png) {
    write_png(file, image, options.compress);
  } else {
    write_jpeg(file, image, options);
  }
}

}  // namespace trunnion
